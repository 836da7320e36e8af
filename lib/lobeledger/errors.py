"""What can go wrong, said in one sentence each.

`BuildError`      the build sheet (or another file the user wrote) cannot be used as it stands
`OutOfRange`      a value lies outside what a part or a formula allows
`NoSolution`      the request has no answer; the message names the limit to relax
`Extrapolated`    warning: a correlation is used outside the range it was fitted to
"""

__all__ = ["BuildError", "Extrapolated", "LedgerError", "NoSolution", "OutOfRange"]


class LedgerError(Exception):
    """Base of our own errors: `str(error)` is one sentence fit to show to a user."""


class BuildError(LedgerError):
    """A file the user wrote cannot be used: says which file, which key, why, and what would be right."""


class OutOfRange(LedgerError, ValueError):
    """A value lies outside what a part or a formula allows."""


class NoSolution(LedgerError):
    """No answer exists within the limits given; says which limit would have to give."""


class Extrapolated(UserWarning):
    """A published correlation is used outside the range of its data."""
