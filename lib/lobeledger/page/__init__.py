"""Everything a person sees; nothing below imports from here."""
