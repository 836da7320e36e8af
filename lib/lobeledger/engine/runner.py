"""The intake runner and the exhaust as the gas exchange sees them.

Which frequency has the pipe?        `quarter_wave_hz`, `helmholtz_hz`
How large a port gives that?         `runner_port_volume_m3`
How hard does the exhaust push?      `exhaust_pressure_pa`
How does a plucked runner ring?      `runner_ring_down`
"""

from __future__ import annotations

import math

import numpy as np

from lobeledger.arguments import not_negative, positive
from lobeledger.arrays import Array, Num
from lobeledger.engine.gas_kernel import PORT_ENERGY, PORT_MASS, STATES, ring_kernel, still_states
from lobeledger.engine.ports import AIR_GAMMA, GAS_CONSTANT_J_PER_KG_K, specific_heat_ratio
from lobeledger.errors import NoSolution, OutOfRange

__all__ = ["exhaust_pressure_pa", "helmholtz_hz", "quarter_wave_hz", "runner_port_volume_m3", "runner_ring_down"]


def quarter_wave_hz(*, runner_length_m: float, sound_speed_m_per_s: float) -> float:
    """First frequency (Hz) of a runner open at the plenum and shut at the valve: c/(4 L).

    Length in m from plenum to valve, sound speed in m/s. The open end adds about 0.6 of the runner's radius to the
    length, which is left to the caller. Source: definition (any text on acoustics). Raises OutOfRange unless both
    are above zero.

    >>> round(quarter_wave_hz(runner_length_m=0.40, sound_speed_m_per_s=346.1), 1)
    216.3
    """
    positive(runner_length_m=runner_length_m, sound_speed_m_per_s=sound_speed_m_per_s)
    return sound_speed_m_per_s / (4.0 * runner_length_m)


def helmholtz_hz(*, neck_area_m2: float, neck_length_m: float, volume_m3: float, sound_speed_m_per_s: float) -> float:
    """Frequency (Hz) of a slug of gas in a neck on the spring of a volume: (c/2 pi) sqrt(A/(V L)).

    Source: definition (any text on acoustics). Raises OutOfRange unless all are above zero.

    >>> round(helmholtz_hz(neck_area_m2=15e-4, neck_length_m=0.35, volume_m3=0.5e-3, sound_speed_m_per_s=346.1), 1)
    161.3
    """
    positive(
        neck_area_m2=neck_area_m2,
        neck_length_m=neck_length_m,
        volume_m3=volume_m3,
        sound_speed_m_per_s=sound_speed_m_per_s,
    )
    return sound_speed_m_per_s / (2.0 * math.pi) * math.sqrt(neck_area_m2 / (volume_m3 * neck_length_m))


def runner_port_volume_m3(*, runner_length_m: float, runner_area_m2: float) -> float:
    """Volume (m3) that stands for the runner's own springiness at its shut end: (4/pi^2) A L.

    The slug of length L and area A on a volume V swings at (c/2 pi) sqrt(A/(V L)); the runner itself, shut at the
    valve, at c/(4 L). Both agree when V = (4/pi^2) A L, which is 0.405 of the runner's volume. Source: the two
    closed forms above. Raises OutOfRange unless both are above zero.

    >>> v = runner_port_volume_m3(runner_length_m=0.40, runner_area_m2=13e-4)
    >>> round(helmholtz_hz(neck_area_m2=13e-4, neck_length_m=0.40, volume_m3=v, sound_speed_m_per_s=346.1), 1)
    216.3
    """
    positive(runner_length_m=runner_length_m, runner_area_m2=runner_area_m2)
    return 4.0 / math.pi**2 * runner_area_m2 * runner_length_m


def exhaust_pressure_pa(
    speed_rpm: Num,
    *,
    ambient_pressure_pa: float,
    back_pressure_pa: float,
    reference_speed_rpm: float,
) -> Num:
    """Mean exhaust pressure (Pa): ambient + back pressure x (N/N_ref)^2, at one load.

    Loss in a pipe in turbulent flow grows with the square of the flow, and flow at full load about with speed.
    `back_pressure_pa` (gauge) is what is met at `reference_speed_rpm`. Source: Darcy's law.
    Raises OutOfRange for a negative back pressure or a speed, ambient or reference not above zero.

    >>> exhaust_pressure_pa(3000.0, ambient_pressure_pa=99e3, back_pressure_pa=12e3, reference_speed_rpm=6000.0)
    102000.0
    """
    positive(speed_rpm=speed_rpm, ambient_pressure_pa=ambient_pressure_pa, reference_speed_rpm=reference_speed_rpm)
    not_negative(back_pressure_pa=back_pressure_pa)
    pressure: Num = ambient_pressure_pa + back_pressure_pa * (speed_rpm / reference_speed_rpm) ** 2
    return pressure


def runner_ring_down(
    *,
    duration_s: float,
    points: int,
    runner_length_m: float,
    runner_area_m2: float,
    plenum_pressure_pa: float,
    temperature_k: float,
    start_pressure_pa: float,
    entry_loss: float,
    friction_factor: float,
    plenum_exit_loss: float,
    port_volume_m3: float | None = None,
    gamma: float = AIR_GAMMA,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> tuple[Array, Array]:
    """Time (s) and port pressure (Pa) of a shut runner that starts at rest with its port off the plenum's pressure.

    The very equations of `fill_and_empty` with the valve shut: a small start swings at `quarter_wave_hz`, or with a
    `port_volume_m3` of its own at `helmholtz_hz`; a large one dies down by its losses. Other arguments as there.
    The port starts on the isentrope through the plenum's state. Raises OutOfRange for input that is no gas or pipe.
    """
    if port_volume_m3 is None:
        port_volume_m3 = runner_port_volume_m3(runner_length_m=runner_length_m, runner_area_m2=runner_area_m2)
    positive(
        duration_s=duration_s,
        port_volume_m3=port_volume_m3,
        plenum_pressure_pa=plenum_pressure_pa,
        temperature_k=temperature_k,
        start_pressure_pa=start_pressure_pa,
        gas_constant_j_per_kg_k=gas_constant_j_per_kg_k,
    )
    specific_heat_ratio(gamma=gamma)
    if points < 2:
        raise OutOfRange(f"points is {points}; a curve needs two or more.")
    loss_in, loss_out = runner_losses(
        runner_length_m, runner_area_m2, entry_loss, plenum_exit_loss, 0.0, friction_factor
    )
    cv = gas_constant_j_per_kg_k / (gamma - 1.0)
    slug = plenum_pressure_pa * runner_area_m2 * runner_length_m / (gas_constant_j_per_kg_k * temperature_k)
    runner = (
        float(runner_length_m),
        float(runner_area_m2),
        float(port_volume_m3),
        slug,
        loss_in,
        loss_out,
        float(plenum_pressure_pa),
        (cv + gas_constant_j_per_kg_k) * temperature_k,
    )
    gas = (gas_constant_j_per_kg_k, cv, cv)
    y = np.zeros(STATES)
    still_states(y, gas, runner)
    ratio = start_pressure_pa / plenum_pressure_pa
    y[PORT_MASS] *= ratio ** (1.0 / gamma)
    y[PORT_ENERGY] *= ratio
    pressure = np.empty(points)
    # In seconds the longest step of the kernel bounds nothing, so the points themselves must resolve a swing.
    if ring_kernel(float(duration_s), y, gas, runner, pressure, 1e-9):
        raise NoSolution("The runner's swing cannot be followed; check lengths, areas and pressures.")
    return np.linspace(0.0, duration_s, points), pressure


def runner_losses(
    length: float, area: float, entry: float, plenum_exit: float, port_head: float, friction: float
) -> tuple[float, float]:
    """Loss coefficients on the runner's dynamic head, towards the port and back."""
    positive(runner_length_m=length, runner_area_m2=area)
    not_negative(entry_loss=entry, plenum_exit_loss=plenum_exit, port_head_loss=port_head, friction_factor=friction)
    wall = friction * length / math.sqrt(4.0 * area / math.pi)
    return entry + port_head + wall, plenum_exit + wall
