"""Contact stress on a candidate's noses."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from lobeledger.arrays import Array
from lobeledger.assess.figures import Figure, spread
from lobeledger.assess.inputs import MechanicalInputs, ranges_of
from lobeledger.assess.motion import cam_radius_m, worse_of_both
from lobeledger.assess.springs import valve_side_kg
from lobeledger.lobe import contact, ellipse, flat, roller
from lobeledger.lobe.card import CardLobe
from lobeledger.train import rigid as valvetrain

__all__ = []


def nose_stress(
    key: MechanicalInputs, intake: CardLobe, exhaust: CardLobe, figures: Mapping[str, Figure], speed_rpm: float
) -> Figure:
    """Greatest contact pressure on the nose at a crank speed, the worse of intake and exhaust (Pa).

    The nose is where the lobe slows the open valve (s'' < 0). Its sharpest and hardest pressed point often lies
    beside the angle of greatest lift, so each lobe's is looked for, with nominal inputs, and followed from there.
    """
    c = key.candidate

    def one(which: str, lobe: CardLobe) -> Figure:
        lash = c.intake_lash_m if which == "intake" else c.exhaust_lash_m
        pressure = _pressure_of(key, which, lash, speed_rpm)
        inputs, ranges = _inputs_of(key, which, figures)
        # Where the flanks are alike the closing side stands for both; where not, the opening side follows it.
        nose = int(lobe.nominal.lift_m.argmax())
        half = lobe.stack[:, :, nose:]
        if not (c.intake if which == "intake" else c.exhaust).is_symmetric:
            half = np.concatenate([half, lobe.stack[:, :, :nose]], axis=2)
        slowed = (half[:, 2] < 0.0) & (c.valvetrain.rocker_ratio * half[:, 0] > lash)
        # Elsewhere the cam may be too hollow for the face; a still motion at full height keeps those places quiet.
        still = np.where(slowed[:, np.newaxis], half, half[:, :, :1])
        worst = np.where(slowed, pressure(still, **inputs), -1.0).argmax(axis=1)
        motion = np.take_along_axis(half, worst[:, np.newaxis, np.newaxis], axis=2)

        def there(**moved: float) -> Array:
            return pressure(motion, **moved)[:, 0]

        found = spread(there, inputs, ranges)
        return Figure(found.value, max(found.low, 0.0), found.high)

    return worse_of_both(one, intake, exhaust, max)


def _inputs_of(
    key: MechanicalInputs, which: str, figures: Mapping[str, Figure]
) -> tuple[dict[str, float], dict[str, tuple[float, float]]]:
    """What the pressure on one lobe is made of, and the ranges known of it."""
    c, v = key.candidate, key.candidate.valvetrain
    inputs = dict(
        seat=figures["seat_load"].value, rate=figures["rate"].value, mass=figures[f"{which}_mass"].value,
        rocker_ratio=v.rocker_ratio, base_circle_radius=v.base_circle_radius_m, lobe_width=v.lobe_width_m,
        lobe_modulus=c.lobe_modulus_pa, follower_modulus=c.follower_modulus_pa,
        poisson=key.model.poisson,
    )  # fmt: skip
    ranges = {
        "seat": figures["seat_load"][1:], "rate": figures["rate"][1:], "mass": figures[f"{which}_mass"][1:],
        **ranges_of(key, "rocker_ratio", "base_circle_radius", "lobe_width", "lobe_modulus",
                     "follower_modulus", "poisson"),
    }  # fmt: skip
    if c.follower == "flat":
        assert c.crown_radius_m is not None and c.lobe_taper_m is not None
        inputs |= dict(crown_radius=c.crown_radius_m, lobe_taper=c.lobe_taper_m)
        ranges |= ranges_of(key, "crown_radius", "lobe_taper")
    else:
        assert c.wheel_diameter_m is not None and c.wheel_width_m is not None
        inputs |= dict(wheel_diameter=c.wheel_diameter_m, wheel_width=c.wheel_width_m)
        ranges |= ranges_of(key, "wheel_diameter", "wheel_width")
    return inputs, ranges


def _pressure_of(key: MechanicalInputs, which: str, lash: float, speed_rpm: float) -> Callable[..., Array]:
    """Contact pressure (Pa) along a motion, shape (lobes, angles), as a function of its inputs."""
    c, v = key.candidate, key.candidate.valvetrain
    side = valve_side_kg(c, which)

    def pressure(
        motion: Array, *, seat: float, rate: float, mass: float, rocker_ratio: float, base_circle_radius: float,
        lobe_width: float, lobe_modulus: float, follower_modulus: float, poisson: float, crown_radius: float = 0.0,
        lobe_taper: float = 0.0, wheel_diameter: float = 0.0, wheel_width: float = 0.0,
    ) -> Array:  # fmt: skip
        lift, slope, accel = motion[:, 0], motion[:, 1], motion[:, 2]
        load = valvetrain.contact_force_n(
            lift, accel, crank_rpm=speed_rpm, moving_mass_kg=mass + side * (rocker_ratio**2 - v.rocker_ratio**2),
            ratio=rocker_ratio, seat_load_n=seat, rate_n_per_m=rate, lash_m=lash,
        )  # fmt: skip
        # Above the rigid limit nothing presses on the nose; the limit itself is reported elsewhere.
        load = np.maximum(load, 0.0)
        modulus = ellipse.combined_modulus_pa(
            first_modulus_pa=lobe_modulus,
            first_poisson=poisson,
            second_modulus_pa=follower_modulus,
            second_poisson=poisson,
        )
        radius = cam_radius_m(key, motion, base_circle_radius, wheel_diameter)
        if c.follower == "flat":
            taper = flat.lobe_taper_rad(lobe_taper, lobe_width_m=lobe_width)
            return contact.crowned_face_contact(
                load,
                cam_radius_m=radius,
                crown_radius_m=crown_radius,
                lobe_width_m=lobe_width,
                modulus_pa=modulus,
                contact_offset_m=flat.taper_contact_offset_m(crown_radius_m=crown_radius, taper_rad=taper),
            ).peak_pressure_pa
        angle = roller.roller_pressure_angle_rad(
            lift, slope, base_radius_m=base_circle_radius, roller_radius_m=wheel_diameter / 2.0
        )
        return contact.roller_lobe_contact(
            roller.roller_normal_load_n(load, pressure_angle_rad=angle),
            cam_radius_m=radius,
            roller_radius_m=wheel_diameter / 2.0,
            lobe_width_m=lobe_width,
            wheel_width_m=wheel_width,
            modulus_pa=modulus,
        ).peak_pressure_pa

    return pressure
