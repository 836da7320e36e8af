"""Flow through valves and ports: areas, discharge coefficients, a flow bench, an orifice.

How open is the valve?                `curtain_area_m2`, `port_area_m2`, `effective_area_m2`
How much of that counts?              `discharge_coefficient`; and above the table? `beyond_table_doubt_share`
What does a flow bench say?           `flow_bench_velocity_m_per_s`, `flow_bench_effective_area_m2`
How much gas passes?                  `orifice_mass_flux_kg_per_s_m2`, `flow_function`, `choked_pressure_ratio`
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from lobeledger.arguments import not_negative, positive
from lobeledger.arrays import Num
from lobeledger.errors import OutOfRange

__all__ = [
    "AIR_GAMMA",
    "FLOW_BENCH_28_INH2O_PA",
    "GAS_CONSTANT_J_PER_KG_K",
    "beyond_table_doubt_share",
    "choked_pressure_ratio",
    "curtain_area_m2",
    "discharge_coefficient",
    "effective_area_m2",
    "flow_bench_effective_area_m2",
    "flow_bench_velocity_m_per_s",
    "flow_function",
    "orifice_mass_flux_kg_per_s_m2",
    "port_area_m2",
    "sound_speed_m_per_s",
]


GAS_CONSTANT_J_PER_KG_K = 287.05  # dry air: U.S. Standard Atmosphere, 1976 (287.053), from memory
AIR_GAMMA = 1.4  # ratio of specific heats of air at room temperature: Heywood, app. C, from memory
# 28 inches of water at 4 degC, 249.0889 Pa each: NIST SP 811, 2008, app. B
FLOW_BENCH_28_INH2O_PA = 28.0 * 249.0889


def specific_heat_ratio(**values: float) -> None:
    for name, value in values.items():
        if not 1.0 < value < 1.7:
            raise OutOfRange(f"{name} is {value}; a ratio of specific heats lies between 1 and 1.7.")


def curtain_area_m2(valve_lift_m: Num, *, valve_diameter_m: float) -> Num:
    """Curtain area (m2) under a lifted valve: pi D L. Source: Heywood, ch. 6 (from memory).

    Raises OutOfRange for a negative lift.
    """
    positive(valve_diameter_m=valve_diameter_m)
    not_negative(valve_lift_m=valve_lift_m)
    area: Num = math.pi * valve_diameter_m * valve_lift_m
    return area


def port_area_m2(throat_diameter_m: float, *, stem_diameter_m: float = 0.0) -> float:
    """Area (m2) of the throat under the seat less the stem: pi (D^2 - d^2)/4. Source: geometry.

    Raises OutOfRange when the stem fills the throat.
    """
    positive(throat_diameter_m=throat_diameter_m)
    not_negative(stem_diameter_m=stem_diameter_m)
    if stem_diameter_m >= throat_diameter_m:
        raise OutOfRange(
            f"stem_diameter_m is {stem_diameter_m:g}; it must be less than the throat ({throat_diameter_m:g} m)."
        )
    return math.pi / 4.0 * (throat_diameter_m**2 - stem_diameter_m**2)


def discharge_coefficient(
    valve_lift_m: Num,
    *,
    valve_diameter_m: float,
    table_lift_over_diameter: ArrayLike,
    table_coefficient: ArrayLike,
) -> Num:
    """Discharge coefficient at a valve lift, linear in L/D between the points of a measured or assumed table.

    The table's L/D must rise (start it at 0). Coefficients must lie in (0, 1]. Typical sharp-seat intake valves:
    0.65-0.7 at low lift, 0.6 or less at L/D 0.25 (Heywood, ch. 6, from memory). Above the table its last value holds:
    there the curtain is wider than the port, so the throat rules and more lift hardly matters; how unsure that is says
    `beyond_table_doubt_share`. Raises OutOfRange for a bad table or a lift below it.

    >>> float(discharge_coefficient(0.005, valve_diameter_m=0.05, table_lift_over_diameter=[0, 0.2],
    ...     table_coefficient=[0.7, 0.6]))
    0.65
    """
    positive(valve_diameter_m=valve_diameter_m)
    not_negative(valve_lift_m=valve_lift_m)
    ratio = np.asarray(table_lift_over_diameter, dtype=float)
    coefficient = np.asarray(table_coefficient, dtype=float)
    if ratio.ndim != 1 or ratio.shape != coefficient.shape or ratio.size == 0 or np.any(np.diff(ratio) <= 0.0):
        raise OutOfRange("The discharge table must have rising L/D and one coefficient for each.")
    if not (np.all(coefficient > 0.0) and np.all(coefficient <= 1.0)):
        raise OutOfRange("A discharge coefficient must lie above 0 and at most at 1.")
    asked = np.asarray(valve_lift_m) / valve_diameter_m
    # An ulp of slack lets the table begin exactly at the least lift.
    if np.min(asked) < ratio[0] - 1e-12:
        raise OutOfRange(
            f"Lift over diameter begins at {np.min(asked):.3f}, but the discharge table only at {ratio[0]:.3f}; "
            "begin the table at 0."
        )
    found: Num = np.interp(asked, ratio, coefficient)
    return found


def beyond_table_doubt_share(valve_lift_m: Num, *, table_end_lift_m: float, valve_diameter_m: float) -> Num:
    """How much more unsure a flow figure is above the last lift of its table, as a share of the figure.

    0 up to the table's end, then (L - L_end)/D, 0.3 at most; it widens the table's own band. A tenth of a diameter
    beyond, a port that has run out may gain nothing or separate: 10 % (assumed).

    >>> [round(float(beyond_table_doubt_share(lift, table_end_lift_m=0.020, valve_diameter_m=0.05)), 3)
    ...     for lift in (0.015, 0.0225, 0.05)]
    [0.0, 0.05, 0.3]
    """
    positive(valve_diameter_m=valve_diameter_m)
    not_negative(valve_lift_m=valve_lift_m, table_end_lift_m=table_end_lift_m)
    excess: Any = (np.asarray(valve_lift_m) - table_end_lift_m) / valve_diameter_m
    share: Num = np.clip(excess, 0.0, 0.3)
    return share


def effective_area_m2(
    valve_lift_m: Num,
    *,
    valve_diameter_m: float,
    table_lift_over_diameter: ArrayLike,
    table_coefficient: ArrayLike,
    throat_area_m2: float | None = None,
    valves_per_cylinder: int = 1,
) -> Num:
    """Effective flow area (m2) of a cylinder's valves at a lift: n C min(pi D L, throat).

    Without `throat_area_m2` the throat is pi D^2/4 of the valve, so the curtain rules up to L/D = 0.25; give
    the throat from `port_area_m2` where it is known. The coefficient belongs to the lesser of the two areas:
    a table made on curtain area alone already holds the fall beyond L/D 0.25, so do not carry it past there.
    Source: Heywood, ch. 6 (from memory); the cap is geometry. Raises as `discharge_coefficient`.
    """
    if valves_per_cylinder < 1:
        raise OutOfRange(f"valves_per_cylinder is {valves_per_cylinder}; there is at least one.")
    throat = port_area_m2(valve_diameter_m) if throat_area_m2 is None else throat_area_m2
    positive(throat_area_m2=throat)
    coefficient: Any = discharge_coefficient(
        valve_lift_m,
        valve_diameter_m=valve_diameter_m,
        table_lift_over_diameter=table_lift_over_diameter,
        table_coefficient=table_coefficient,
    )
    curtain: Any = curtain_area_m2(valve_lift_m, valve_diameter_m=valve_diameter_m)
    area: Num = valves_per_cylinder * coefficient * np.minimum(curtain, throat)
    return area


def flow_bench_velocity_m_per_s(*, test_drop_pa: float, density_kg_per_m3: float) -> float:
    """Ideal velocity (m/s) at a small test drop, incompressible: sqrt(2 dp/rho). Valid below 10 kPa.

    Source: Bernoulli. At 28 inH2O and 1.2 kg/m3:

    >>> round(flow_bench_velocity_m_per_s(test_drop_pa=FLOW_BENCH_28_INH2O_PA, density_kg_per_m3=1.2), 1)
    107.8
    """
    positive(test_drop_pa=test_drop_pa, density_kg_per_m3=density_kg_per_m3)
    if test_drop_pa > 1.0e4:
        raise OutOfRange(f"test_drop_pa is {test_drop_pa:g}; the incompressible reading holds below 10 kPa.")
    return math.sqrt(2.0 * test_drop_pa / density_kg_per_m3)


def flow_bench_effective_area_m2(
    flow_m3_per_s: Num, *, test_drop_pa: float = FLOW_BENCH_28_INH2O_PA, density_kg_per_m3: float = 1.2
) -> Num:
    """Effective area (m2) behind a flow-bench reading: Q over the ideal velocity at the test drop.

    Defaults: 28 inH2O and air of 1.2 kg/m3 (assumed; benches correct to their own standard air). Divide by
    the curtain or throat area for a coefficient. Source: definition. Raises OutOfRange as
    `flow_bench_velocity_m_per_s`.
    """
    not_negative(flow_m3_per_s=flow_m3_per_s)
    area: Num = flow_m3_per_s / flow_bench_velocity_m_per_s(
        test_drop_pa=test_drop_pa, density_kg_per_m3=density_kg_per_m3
    )
    return area


def sound_speed_m_per_s(
    temperature_k: Num, *, gamma: float = AIR_GAMMA, gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K
) -> Num:
    """Speed of sound (m/s) of an ideal gas: sqrt(gamma R T).

    >>> round(float(sound_speed_m_per_s(298.15)), 1)
    346.1
    """
    specific_heat_ratio(gamma=gamma)
    positive(temperature_k=temperature_k, gas_constant_j_per_kg_k=gas_constant_j_per_kg_k)
    speed: Num = np.sqrt(gamma * gas_constant_j_per_kg_k * temperature_k)
    return speed


def choked_pressure_ratio(*, gamma: float = AIR_GAMMA) -> float:
    """Downstream over upstream stagnation pressure at which an orifice chokes: (2/(g+1))^(g/(g-1)).

    Source: Heywood, app. C (from memory).

    >>> round(choked_pressure_ratio(gamma=1.4), 5)
    0.52828
    """
    specific_heat_ratio(gamma=gamma)
    return float((2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


def flow_function(pressure_ratio: Num, *, gamma: float = AIR_GAMMA) -> Num:
    """Dimensionless orifice flow m' sqrt(R T0)/(A p0) at static-over-stagnation pressure r (0 to 1).

    Subcritical: sqrt(2 g/(g-1) (r^(2/g) - r^((g+1)/g))); choked: sqrt(g) (2/(g+1))^((g+1)/(2(g-1))).
    Source: Heywood, app. C (from memory). Raises OutOfRange outside 0 to 1.

    >>> round(float(flow_function(0.9)), 5), round(float(flow_function(0.3)), 5)
    (0.42258, 0.68473)
    """
    critical = choked_pressure_ratio(gamma=gamma)
    ratio = np.asarray(pressure_ratio, dtype=float)
    if not (np.all(ratio >= 0.0) and np.all(ratio <= 1.0)):
        raise OutOfRange(f"pressure_ratio is {pressure_ratio}; downstream over upstream lies between 0 and 1.")
    # Below the critical ratio the throat stays at it: that is choking, not a clip.
    throat = np.maximum(ratio, critical)
    power = throat ** (1.0 / gamma)
    value: Num = power * np.sqrt(np.maximum(2.0 * gamma / (gamma - 1.0) * (1.0 - throat / power), 0.0))
    return value


def orifice_mass_flux_kg_per_s_m2(
    upstream_pressure_pa: Num,
    *,
    upstream_temperature_k: float,
    downstream_pressure_pa: float,
    gamma: float = AIR_GAMMA,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> Num:
    """Mass flow per effective area (kg/s/m2) through an orifice from the upstream stagnation state.

    p0/sqrt(R T0) times `flow_function`. Source: Heywood, app. C (from memory). Upstream must be the higher
    pressure: OutOfRange otherwise.
    """
    positive(
        upstream_pressure_pa=upstream_pressure_pa,
        upstream_temperature_k=upstream_temperature_k,
        gas_constant_j_per_kg_k=gas_constant_j_per_kg_k,
    )
    not_negative(downstream_pressure_pa=downstream_pressure_pa)
    ratio: Any = downstream_pressure_pa / np.asarray(upstream_pressure_pa)
    if np.any(ratio > 1.0):
        raise OutOfRange("The downstream pressure exceeds the upstream one; swap them and change the sign of the flow.")
    flux: Num = (
        upstream_pressure_pa
        / math.sqrt(gas_constant_j_per_kg_k * upstream_temperature_k)
        * flow_function(ratio, gamma=gamma)
    )
    return flux
