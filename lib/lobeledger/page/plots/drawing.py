"""A lobe and the follower on it, drawn at true scale as SVG: names beside the numbers they explain.

What does the lobe look like under its follower?       `lobe_drawing`
How does the face lie across the lobe?                 `across_drawing`, crown and taper drawn higher than they are
Both of a candidate, side by side                      `drawn_html`

Our own drawing, in grey with one shade for the follower's kind; markers in the picture stand again before their lines
below it, so that it can be read alone, on a telephone and in grey print. Text has the size given (14 px on a screen)
at the picture's own width. Numbers come as they are: nothing is computed here but what the outline says
(`lobe.outline`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from html import escape
from typing import NamedTuple

import numpy as np

from lobeledger import units
from lobeledger.errors import OutOfRange
from lobeledger.lobe.flat import crown_height_m, lobe_taper_rad, taper_contact_offset_m
from lobeledger.lobe.outline import Profile, pose, turned
from lobeledger.page.palette import INK, style_of
from lobeledger.parts.candidate import Candidate

__all__ = ["FULL_SIZE", "Measures", "across_drawing", "drawn_html", "lobe_drawing"]

# A browser's pixel is 1/96 in: at this many of them a millimetre is drawn as a millimetre.
FULL_SIZE = 96.0 / (units.INCH_M * 1e3)
_BODY, _QUIET, _LOBE = "#f1f4f7", "#5b6875", "#d5dce3"
_FONT = "DejaVu Sans, Segoe UI, Helvetica Neue, Arial, sans-serif"
# How much higher than they are crown and taper are drawn: hundredths of a millimetre cannot be seen.
_HIGHER = 60.0
_POINTS = 240

_Place = Callable[[float, float], tuple[float, float]]
_Along = Callable[[float], float]
_Show = Callable[[float], str]


class Measures(NamedTuple):
    """What is drawn beside the outline (m); None for what there is none of or is not known."""

    lobe_width_m: float
    face_diameter_m: float | None = None
    crown_radius_m: float | None = None
    lobe_taper_m: float | None = None
    wheel_width_m: float | None = None


class _Line(NamedTuple):
    """One line under a picture: the marker's place in the picture (px), the name and the number."""

    x: float
    y: float
    name: str
    number: str


def _at(values: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in values)


def _path(d: str, *, fill: str = "none", stroke: str = INK, width: float = 1.2, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{d}" fill="{fill}" stroke="{stroke}" stroke-width="{width}"{dashed}/>'


def _marker(x: float, y: float, number: int, size: float) -> str:
    radius = size * 0.62
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" fill="white" stroke="{INK}" stroke-width="1"/>'
        f'<text x="{x:.1f}" y="{y + size * 0.36:.1f}" text-anchor="middle" font-weight="600">{number}</text>'
    )


def _whole(
    spoken: str,
    body: list[str],
    lines: list[_Line],
    *,
    title: str,
    width: float,
    height: float,
    size: float,
    full: bool = False,
    note: str = "",
) -> str:
    """The picture with its markers, its title above it and, below it, one line a marker."""
    step = size * 1.45
    out = [*body]
    y = height + size * 1.15
    for number, line in enumerate(lines, 1):
        out.append(_marker(line.x, line.y, number, size))
        out.append(_marker(size * 0.72, y - size * 0.36, number, size))
        out.append(
            f'<text x="{size * 1.75:.1f}" y="{y:.1f}">{escape(line.name)} '
            f'<tspan font-weight="600">{escape(line.number)}</tspan></text>'
        )
        y += step
    if note:
        out.append(f'<text x="{size * 0.1:.1f}" y="{y:.1f}" fill="{_QUIET}">{escape(note)}</text>')
        y += step
    whole = y - step + size * 0.6
    head = size * 1.5 if title else 0.0
    named = f'<text x="0" y="{size:.1f}" font-weight="600">{escape(title)}</text>' if title else ""
    # On paper the picture keeps its size, so that a millimetre stays one; on a screen it gives way to a narrow window.
    style = f"width:{width:.1f}px;" + ("max-width:none;" if full else "max-width:100%;") + "height:auto"
    return (
        f'<svg viewBox="0 0 {width:.1f} {whole + head:.1f}" style="{style}" '
        f'role="img" aria-label="{escape(spoken, quote=True)}" font-family="{_FONT}" font-size="{size:g}" fill="{INK}">'
        + named
        + f'<g transform="translate(0 {head:.1f})">'
        + "".join(out)
        + "</g></svg>"
    )


def _spoken(what: str, lines: list[_Line]) -> str:
    return f"{what}: " + "; ".join(f"{line.name} {line.number}" for line in lines)


def lobe_drawing(
    profile: Profile,
    measures: Measures,
    *,
    system: str = "us",
    title: str = "",
    width_px: float = 340.0,
    text_px: float = 14.0,
    full_size: bool = False,
) -> str:
    """SVG text of a lobe under its follower, seen along the camshaft, where the contact is farthest from the middle.

    full_size: one millimetre of the part is one of the paper where the page is printed at 100% and there is room;
    otherwise the picture fills `width_px`. A flat's body is cut short. Raises OutOfRange for a flat's profile without
    a face diameter.

    >>> from lobeledger.lobe.lift import from_functions
    >>> from lobeledger.lobe.outline import roller_profile
    >>> lobe = from_functions(np.linspace(-1.0, 1.0, 201), lambda t: 0.004 * (1 - t**2) ** 2,
    ...     lambda t: -0.016 * t * (1 - t**2), lambda t: -0.016 * (1 - 3 * t**2))
    >>> drawn = lobe_drawing(roller_profile(lobe, base_radius_m=0.014, roller_radius_m=0.01), Measures(0.012))
    >>> "base circle" in drawn and "1.102 in" in drawn and "0.157 in" in drawn
    True
    """
    if profile.is_flat and measures.face_diameter_m is None:
        raise OutOfRange("face_diameter_m is missing; a flat lifter is drawn with its face.")
    base, lift = profile.base_radius_m, float(profile.lift_m.max())
    farthest = int(np.argmax(np.abs(profile.eccentricity_m)))
    theta = float(profile.theta_cam_rad[farthest])
    at, outline = pose(profile, theta), turned(profile, theta)
    # The contact is shown on the right: seen from the camshaft's other end, if need be.
    side = 1.0 if at.contact_x_m >= 0.0 else -1.0
    half = (measures.face_diameter_m or 0.0) / 2.0 if profile.is_flat else (profile.roller_radius_m or 0.0)
    body_m = 0.55 * 2.0 * half
    above = body_m if profile.is_flat else 1.45 * half
    x = outline.x_m * side
    left, right = max(half, base, float(-x.min())), max(half, base, float(x.max()))
    margin = text_px * 1.5
    fits = (width_px - 2.0 * margin) / (left + right) / 1e3
    per_m = 1e3 * (min(FULL_SIZE, fits) if full_size else fits)
    top, bottom = at.height_m + above, float(-outline.y_m.min())
    middle = (width_px - (left + right) * per_m) / 2.0 + left * per_m

    def px(x_m: float, y_m: float) -> tuple[float, float]:
        return middle + x_m * per_m, text_px * 0.4 + (top - y_m) * per_m

    shade = style_of("flat" if profile.is_flat else "roller", 0).colour
    step = max(1, x.size // (4 * _POINTS))
    body = _lobe(list(zip(x[::step], outline.y_m[::step], strict=True)), base, base * per_m, top, px)
    lines = _lift_and_base(profile, theta, side, lift, px, body, system)
    show = _shown(system)
    if profile.is_flat:
        lines += _flat_lifter(at.height_m, half, body_m, side * at.contact_x_m, px, body, show)
        contact = ("contact, off center by", show(abs(at.contact_x_m)))
    else:
        lines += _roller_lifter(at.height_m, half, top, px, body, per_m, show)
        angle = math.degrees(abs(math.atan2(at.normal_x, at.normal_y)))
        contact = ("contact, push tilted by", f"{angle:.0f}°")
    spot = px(side * at.contact_x_m, at.contact_y_m)
    body.append(f'<circle cx="{spot[0]:.2f}" cy="{spot[1]:.2f}" r="{max(3.0, text_px * 0.28):.1f}" fill="{shade}"/>')
    away = text_px * 1.15
    lines.append(_Line(spot[0] + away, spot[1] - away * (0.9 if profile.is_flat else -0.2), *contact))
    kind = "Flat lobe under its lifter" if profile.is_flat else "Roller lobe under its wheel"
    height = text_px * 0.8 + (top + bottom) * per_m
    return _whole(
        _spoken(kind, lines),
        body,
        lines,
        title=title,
        width=width_px,
        height=height,
        size=text_px,
        full=full_size,
        note="full size where printed at 100%" if full_size and fits >= FULL_SIZE else "",
    )


def _lobe(outline: Sequence[tuple[float, float]], base: float, base_px: float, top: float, px: _Place) -> list[str]:
    """The lobe's outline, its base circle and centre, and the line along which the follower goes."""
    centre = px(0.0, 0.0)
    return [
        _path(_at([px(a, b) for a, b in outline]) + "Z", fill=_LOBE, width=1.6),
        f'<circle cx="{centre[0]:.2f}" cy="{centre[1]:.2f}" r="{base_px:.2f}" fill="none" stroke="{INK}" '
        'stroke-width="1" stroke-dasharray="5 3"/>',
        _path(_at([px(-0.12 * base, 0.0), px(0.12 * base, 0.0)]) + _at([px(0.0, -0.12 * base), px(0.0, 0.12 * base)])),
        _path(_at([px(0.0, 0.35 * base), px(0.0, top)]), stroke=_QUIET, width=0.9, dash="9 3 2 3"),
    ]


def _shown(system: str) -> _Show:
    return lambda value_m: units.show(value_m, "lift", system)


def _lift_and_base(
    profile: Profile, theta: float, side: float, lift: float, px: _Place, body: list[str], system: str
) -> list[_Line]:
    """The lift, from base circle to the tip of the nose, and the base circle's diameter."""
    base, show = profile.base_radius_m, _shown(system)
    nose = math.pi / 2.0 - theta
    out = side * math.cos(nose), math.sin(nose)
    foot, tip = (px(r * out[0], r * out[1]) for r in (base, base + lift))
    body.append(_path(_at([foot, tip]), width=2.4))
    for end in (foot, tip):
        across = (-out[1], -out[0])
        body.append(_path(_at([(end[0] + k * 5 * across[0], end[1] + k * 5 * across[1]) for k in (-1, 1)]), width=1.6))
    between = (foot[0] + tip[0]) / 2.0 - 13.0 * out[0] * 1.3, (foot[1] + tip[1]) / 2.0 + 13.0 * out[1] * 1.3
    ends = px(-base, 0.0), px(base, 0.0)
    low = px(0.0, -0.45 * base)
    body.append(_path(_at(list(ends)), stroke=_QUIET, width=0.9))
    return [
        _Line(*between, "lobe lift", show(lift)),
        _Line(*low, "base circle, across", show(2.0 * base)),
    ]


def _flat_lifter(
    height_m: float, half: float, body_m: float, contact_x_m: float, px: _Place, body: list[str], show: _Show
) -> list[_Line]:
    left, right = px(-half, height_m), px(half, height_m)
    roof = px(0.0, height_m + body_m)[1]
    wave = [
        (left[0] + (right[0] - left[0]) * k / 24.0, roof + 3.0 * math.sin(k / 24.0 * 4.0 * math.pi)) for k in range(25)
    ]
    body.append(_path(_at([left, *wave, right]) + "Z", fill=_BODY, width=1.6))
    mid = px(0.0, height_m)
    here = px(contact_x_m, height_m)
    # How far the contact is from the middle, drawn inside the lifter.
    inside = mid[1] - 7.0
    body.append(_path(_at([(mid[0], inside), (here[0], inside)]), width=1.4))
    body += [_path(_at([(at, inside - 4.0), (at, inside + 4.0)])) for at in (mid[0], here[0])]
    return [_Line(px(-0.62 * half, 0.0)[0], (roof + left[1]) / 2.0, "lifter face, across", show(2.0 * half))]


def _roller_lifter(
    height_m: float, radius: float, top: float, px: _Place, body: list[str], per_m: float, show: _Show
) -> list[_Line]:
    centre = px(0.0, height_m)
    wide = 0.62 * radius
    fork = [px(-wide, height_m), px(-wide, top), px(wide, top), px(wide, height_m)]
    wheel = (
        f'<circle cx="{centre[0]:.2f}" cy="{centre[1]:.2f}" r="{radius * per_m:.2f}" fill="{_BODY}" stroke="{INK}" '
        'stroke-width="1.6"/>'
    )
    axle = (
        f'<circle cx="{centre[0]:.2f}" cy="{centre[1]:.2f}" r="{0.3 * radius * per_m:.2f}" fill="white" '
        f'stroke="{INK}" stroke-width="1.2"/>'
    )
    body += [_path(_at(fork), fill="white", width=1.3), wheel, axle]
    return [
        _Line(px(-0.62 * radius, 0.0)[0], px(0.0, height_m + 0.3 * radius)[1], "roller, across", show(2.0 * radius))
    ]


def drawn_html(candidate: Candidate, profile: Profile, system: str) -> str:
    """The lobe under its lifter, along the camshaft and across it, side by side as HTML."""
    measures = Measures(
        candidate.valvetrain.lobe_width_m,
        face_diameter_m=candidate.face_diameter_m,
        crown_radius_m=candidate.crown_radius_m,
        lobe_taper_m=candidate.lobe_taper_m,
        wheel_width_m=candidate.wheel_width_m,
    )
    pictures = (
        lobe_drawing(profile, measures, system=system, title="Along the camshaft"),
        across_drawing(profile, measures, system=system, title="Across it"),
    )
    return "<div style='display:flex;flex-wrap:wrap;gap:16px'>" + "".join(pictures) + "</div>"


def across_drawing(
    profile: Profile,
    measures: Measures,
    *,
    system: str = "us",
    title: str = "",
    width_px: float = 340.0,
    text_px: float = 14.0,
) -> str:
    """SVG text of the contact seen from the side: the camshaft runs from left to right.

    Flat: lobe and lifter with crown and taper, which are drawn 60 times as high as they are, and the contact that they
    set beside the lifter's middle, so that the lobe turns it. Roller: wheel on lobe. Widths are to scale. Where crown
    or taper is not known the face or the lobe is drawn straight and its line says so.

    >>> from lobeledger.lobe.lift import from_functions
    >>> from lobeledger.lobe.outline import flat_profile
    >>> still = from_functions(np.linspace(-1.0, 1.0, 9), np.zeros_like, np.zeros_like, np.zeros_like)
    >>> profile = flat_profile(still, base_radius_m=0.014)
    >>> across_drawing(profile, Measures(0.012, 0.0214, 1.143, 3e-5)).count("<circle") > 6
    True
    """
    half = (measures.face_diameter_m if profile.is_flat else measures.wheel_width_m) or measures.lobe_width_m
    half /= 2.0
    per_m = (width_px - 3.0 * text_px) / (2.0 * max(half, measures.lobe_width_m / 2.0))
    middle, touch = width_px / 2.0, 0.9 * half * per_m + text_px

    def x(at_m: float) -> float:
        return middle + at_m * per_m

    if not profile.is_flat:
        body, lines = _wheel_across(measures, half, x, touch, _shown(system))
    else:
        body, lines = _face_across(measures, half, x, touch, per_m, system)
    height = touch + 0.75 * half * per_m + text_px
    is_high = profile.is_flat and bool(measures.crown_radius_m or measures.lobe_taper_m)
    note = f"crown and taper drawn {_HIGHER:.0f} times as high" if is_high else ""
    what = "Roller on its lobe" if not profile.is_flat else "Crowned lifter on its tapered lobe"
    return _whole(
        _spoken(f"{what}, the camshaft from left to right", lines),
        body,
        lines,
        title=title,
        width=width_px,
        height=height,
        size=text_px,
        note=note,
    )


def _wheel_across(
    measures: Measures, half: float, x: _Along, touch: float, show: _Show
) -> tuple[list[str], list[_Line]]:
    lobe_half = measures.lobe_width_m / 2.0
    deep = 0.75 * (x(half) - x(0.0))
    lobe = [(x(-lobe_half), touch), (x(lobe_half), touch), (x(lobe_half), touch + deep), (x(-lobe_half), touch + deep)]
    wheel = [(x(-half), touch), (x(-half), touch - deep), (x(half), touch - deep), (x(half), touch)]
    body = [
        _path(_at(lobe) + "Z", fill=_LOBE, width=1.6),
        _path(_at(wheel) + "Z", fill=_BODY, width=1.6),
        _path(_at([(x(-half), touch), (x(half), touch)]), stroke=style_of("roller", 0).colour, width=4.0),
    ]
    lines = [_Line(x(0.0), touch + deep * 0.55, "lobe, wide", show(measures.lobe_width_m))]
    if measures.wheel_width_m is not None:
        lines.append(_Line(x(0.0), touch - deep * 0.5, "wheel, wide", show(measures.wheel_width_m)))
    return body, lines


def _face_across(
    measures: Measures, half: float, x: _Along, touch: float, per_m: float, system: str
) -> tuple[list[str], list[_Line]]:
    show = _shown(system)

    def fine(value_m: float) -> str:
        return units.show(value_m, "lift", system, digits=1)

    width, crown, taper = measures.lobe_width_m, measures.crown_radius_m, measures.lobe_taper_m or 0.0
    slope = lobe_taper_rad(taper, lobe_width_m=width)
    offset = 0.0 if crown is None else taper_contact_offset_m(crown_radius_m=crown, taper_rad=slope)
    offset = min(offset, width / 2.0)
    lift = per_m * _HIGHER
    places = np.linspace(-half, half, 49)
    # Both pass through the contact: the face curves up from it, the lobe falls away in a straight line.
    sag = np.zeros_like(places) if crown is None else (places**2 - offset**2) / (2.0 * crown)
    face = [(x(float(p)), touch - lift * float(s)) for p, s in zip(places, sag, strict=True)]
    deep = 0.7 * half * per_m
    roof = touch - 0.8 * half * per_m
    ends = [(x(p), touch - lift * (p - offset) * math.tan(slope)) for p in (-width / 2.0, width / 2.0)]
    lobe = [*ends, (x(width / 2.0), touch + deep), (x(-width / 2.0), touch + deep)]
    body = [
        _path(_at(lobe) + "Z", fill=_LOBE, width=1.6),
        _path(_at([(x(-half), roof), *face, (x(half), roof)]) + "Z", fill=_BODY, width=1.6),
        _path(_at([(x(0.0), roof), (x(0.0), touch + deep)]), stroke=_QUIET, width=0.9, dash="9 3 2 3"),
        f'<circle cx="{x(offset):.1f}" cy="{touch:.1f}" r="4.5" fill="{style_of("flat", 0).colour}"/>',
    ]
    lines = [
        _Line(x(-width / 2.0) + 20.0, touch + deep * 0.55, "lobe, wide", show(width)),
        _Line(x(width / 2.0) - 20.0, touch + deep * 0.55, "taper across it", fine(taper) if taper else "not known"),
    ]
    height = "not known" if crown is None else fine(crown_height_m(crown, face_diameter_m=2.0 * half))
    lines.append(_Line(x(-0.7 * half), (roof + touch) / 2.0, "crown of the face", height))
    if offset > 0.0:
        lines.append(_Line(x(offset) + 24.0, touch - 24.0, "contact off center, turns it", show(offset)))
    return body, lines
