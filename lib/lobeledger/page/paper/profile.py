"""Lobe outlines as files: a table for a spreadsheet, a drawing for a drawing program.

A table of angle, lift and outline        `profile_csv_text`, `write_profile_csv`
A drawing in millimetres                  `profile_dxf_text`, `write_profile_dxf`, `LAYERS`
What a file must say of its figures       `CARD_ORIGIN`

A file is written whole or not at all, and never over another unless asked. An undercut lobe is refused: its outline
crosses itself and nothing can be made from it.
"""

from __future__ import annotations

import io
import math
import os
from pathlib import Path

import numpy as np

from lobeledger.errors import OutOfRange
from lobeledger.lobe import roller
from lobeledger.lobe.outline import Profile, greatest_chord_error_m, grinding
from lobeledger.sheet.files import on_one_line, write_text_atomically
from lobeledger.units import INCH_M

__all__ = [
    "CARD_ORIGIN",
    "LAYERS",
    "profile_csv_text",
    "profile_dxf_text",
    "write_profile_csv",
    "write_profile_dxf",
]

CARD_ORIGIN = (
    "worked out from a catalog card; between the quoted lifts the shape is the smoothest that fits, not the maker's. "
    "For drawing and teaching: do not grind a cam from it"
)
"""Origin of a profile whose lobe came from `lobe_card.lobe_from_card`."""

LAYERS = {
    "LOBE": "outline of the lobe, one closed polyline",
    "BASE CIRCLE": "base circle",
    "PITCH CURVE": "path of the roller's center, one closed polyline; absent for a flat face",
    "CENTRE": "cam axis, a cross",
    "NOTES": "what this is, its unit and origin",
}
"""Layers of the drawing and what lies on them."""

_MM = 1e3
_LAYER_COLOURS = {"LOBE": 7, "BASE CIRCLE": 8, "PITCH CURVE": 5, "CENTRE": 1, "NOTES": 8}  # DXF colour index
_MILLIMETRES = 4  # $INSUNITS
_LONGEST = 400


def _heads(profile: Profile, title: str, origin: str) -> list[str]:
    """Lines that say what the figures are, refusing a lobe that cannot exist."""
    for name, text in (("title", title), ("origin", origin)):
        if not text.strip():
            raise OutOfRange(f"{name} is empty; a file of figures must say what they are and where they come from.")
    made = grinding(profile)
    if made.undercut_at_cam_rad:
        raise OutOfRange(
            f"the lobe is undercut at {math.degrees(made.undercut_at_cam_rad[0]):.1f} cam degrees from the nose and "
            "cannot be made; give it a larger base circle or a longer duration."
        )
    wheel = profile.roller_radius_m
    kind = "flat face" if wheel is None else f"roller of {wheel * _MM:.4f} mm radius ({wheel / INCH_M:.4f} in)"
    hollow = "convex all round" if math.isinf(made.hollow_radius_m) else (
        f"hollow flank, least radius {made.hollow_radius_m * _MM:.1f} mm: a grinding wheel must be smaller in radius"
    )  # fmt: skip
    return [
        on_one_line(title, longest=_LONGEST),
        f"follower: {kind}, moving on a line through the cam axis",
        f"base circle: {profile.base_radius_m * _MM:.4f} mm radius ({profile.base_radius_m / INCH_M:.4f} in)",
        f"origin: {on_one_line(origin, longest=_LONGEST)}",
        f"shape: {hollow}; least radius of the nose {made.least_nose_radius_m * _MM:.2f} mm",
        f"straight lines between the points lie within {greatest_chord_error_m(profile) * _MM:.6f} mm of the curve",
    ]


def profile_csv_text(profile: Profile, *, title: str, origin: str) -> str:
    """The profile as CSV: comment lines, a row of column names, one row a point, the last closing the turn.

    Columns: cam_angle_deg (from the greatest lift, opening negative), lift_mm, lift_in (lobe lift), radius_mm and
    polar_angle_deg (of the outline's point about the cam axis), x_mm, y_mm (nose on the x axis). The polar angle is
    not the cam angle: the contact lies to one side of the follower's line on the flanks.
    Raises OutOfRange for an undercut lobe or an empty title or origin.
    """
    lines = [f"# {head}" for head in _heads(profile, title, origin)]
    lines += [
        "# angles in degrees of the CAM, lengths as their column names say; opening flank at negative angles, seen so "
        "that the cam turns clockwise",
        "cam_angle_deg,lift_mm,lift_in,radius_mm,polar_angle_deg,x_mm,y_mm",
    ]
    x, y = profile.x_m, profile.y_m
    columns = (
        (np.degrees(profile.theta_cam_rad), 6),
        (profile.lift_m * _MM, 7),
        (profile.lift_m / INCH_M, 8),
        (np.hypot(x, y) * _MM, 7),
        (np.degrees(np.arctan2(y, x)), 6),
        (x * _MM, 7),
        (y * _MM, 7),
    )
    # Adding zero turns a minus nought into a nought.
    rounded = [np.round(values, digits) + 0.0 for values, digits in columns]
    shape = ",".join(f"%.{digits}f" for _, digits in columns)
    lines += [shape % row for row in zip(*rounded, strict=True)]
    return "\n".join(lines) + "\n"


def write_profile_csv(
    profile: Profile, path: str | os.PathLike[str], *, title: str, origin: str, replace: bool = False
) -> Path:
    """Save `profile_csv_text`; an existing file is refused unless `replace`. Raises BuildError, OutOfRange."""
    return write_text_atomically(path, profile_csv_text(profile, title=title, origin=origin), replace=replace)


def profile_dxf_text(profile: Profile, *, title: str, origin: str) -> str:
    """The profile as a DXF drawing (text form, version AC1024), in millimetres, cam axis at 0, 0, nose on the x axis.

    Layers: see `LAYERS`. The outline is one closed lightweight polyline through every point of the profile.
    Raises OutOfRange for an undercut lobe or an empty title or origin.
    """
    import ezdxf

    heads = _heads(profile, title, origin)
    drawing = ezdxf.new("R2010", setup=False)
    drawing.header["$INSUNITS"] = _MILLIMETRES
    drawing.header["$MEASUREMENT"] = 1
    drawing.header["$LUNITS"] = 2
    for name, meaning in LAYERS.items():
        if name == "PITCH CURVE" and profile.is_flat:
            continue
        drawing.layers.add(name, color=_LAYER_COLOURS[name]).description = meaning
    space = drawing.modelspace()
    outline = np.column_stack([profile.x_m, profile.y_m]) * _MM
    space.add_lwpolyline(outline[:-1].tolist(), close=True, dxfattribs={"layer": "LOBE"})
    base = profile.base_radius_m * _MM
    space.add_circle((0.0, 0.0), base, dxfattribs={"layer": "BASE CIRCLE"})
    if profile.roller_radius_m is not None:
        path = roller.roller_pitch_outline_m(
            profile.theta_cam_rad,
            profile.lift_m,
            base_radius_m=profile.base_radius_m,
            roller_radius_m=profile.roller_radius_m,
        )
        centres = np.column_stack([path.x_m, path.y_m]) * _MM
        space.add_lwpolyline(centres[:-1].tolist(), close=True, dxfattribs={"layer": "PITCH CURVE"})
    arm = 0.15 * base
    space.add_line((-arm, 0.0), (arm, 0.0), dxfattribs={"layer": "CENTRE"})
    space.add_line((0.0, -arm), (0.0, arm), dxfattribs={"layer": "CENTRE"})
    size = 0.06 * base
    below = float(np.min(outline[:, 1])) - 0.3 * base
    for k, head in enumerate([*heads, "unit: millimeter"]):
        text = space.add_text(head, height=size, dxfattribs={"layer": "NOTES"})
        text.set_placement((-base, below - 1.6 * k * size))
    stream = io.StringIO()
    drawing.write(stream)
    return stream.getvalue()


def write_profile_dxf(
    profile: Profile, path: str | os.PathLike[str], *, title: str, origin: str, replace: bool = False
) -> Path:
    """Save `profile_dxf_text`; an existing file is refused unless `replace`. Raises BuildError, OutOfRange."""
    return write_text_atomically(path, profile_dxf_text(profile, title=title, origin=origin), replace=replace)
