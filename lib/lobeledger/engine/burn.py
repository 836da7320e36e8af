"""The burned charge when the exhaust valve opens.

`evo_state`, `EvoState`, `BurnEstimate`
"""

from __future__ import annotations

from typing import NamedTuple

from lobeledger.arguments import not_negative, positive
from lobeledger.engine.gas_kernel import evo_kernel
from lobeledger.engine.ports import GAS_CONSTANT_J_PER_KG_K, specific_heat_ratio
from lobeledger.errors import OutOfRange

__all__ = ["BurnEstimate", "EvoState", "evo_state"]


class BurnEstimate(NamedTuple):
    """What the closed part of the cycle is assumed to do between inlet closing and exhaust opening.

    All assumed; a build's own stand in `[model]`. `lost_fraction` lumps wall heat, dissociation and the rise of
    specific heat, which the constant
    ratio of specific heats leaves out; at 0.30 full throttle opens the exhaust near 4 bar, 1500 K.
    """

    air_fuel_ratio: float
    fuel_heating_value_j_per_kg: float
    combustion_efficiency: float
    lost_fraction: float
    compression_exponent: float
    expansion_exponent: float


class EvoState(NamedTuple):
    """Cylinder state as the exhaust valve opens."""

    pressure_pa: float
    temperature_k: float


def evo_state(
    *,
    trapped_kg: float,
    residual_fraction: float,
    trapped_temperature_k: float,
    volume_at_ivc_m3: float,
    clearance_volume_m3: float,
    volume_at_evo_m3: float,
    burn: BurnEstimate,
    gamma_burned: float,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> EvoState:
    """Pressure and temperature as the exhaust opens, by a plain energy estimate of the closed cycle.

    Polytropic compression from inlet closing to the clearance volume, all heat added there at constant volume
    (fuel of the fresh charge x heating value x efficiency x (1 - lost)), polytropic expansion to exhaust opening.
    The mass of the fuel itself (about 7 %) is left out. It feeds blowdown and residual, which depend on it
    weakly; it is no combustion model. Source: fuel-air cycle reasoning, Heywood, ch. 5; constants assumed.
    """
    positive(
        trapped_kg=trapped_kg,
        trapped_temperature_k=trapped_temperature_k,
        volume_at_ivc_m3=volume_at_ivc_m3,
        clearance_volume_m3=clearance_volume_m3,
        volume_at_evo_m3=volume_at_evo_m3,
    )
    specific_heat_ratio(gamma_burned=gamma_burned)
    check_burn(burn)
    if not 0.0 <= residual_fraction <= 1.0:
        raise OutOfRange(f"residual_fraction is {residual_fraction}; it lies between 0 and 1.")
    temperature = evo_kernel(
        trapped_kg,
        residual_fraction,
        trapped_temperature_k,
        volume_at_ivc_m3,
        clearance_volume_m3,
        volume_at_evo_m3,
        gas_constant_j_per_kg_k,
        gas_constant_j_per_kg_k / (gamma_burned - 1.0),
        tuple(float(v) for v in burn),
    )
    return EvoState(trapped_kg * gas_constant_j_per_kg_k * temperature / volume_at_evo_m3, float(temperature))


def check_burn(burn: BurnEstimate) -> None:
    positive(air_fuel_ratio=burn.air_fuel_ratio)
    not_negative(fuel_heating_value_j_per_kg=burn.fuel_heating_value_j_per_kg)
    for name in ("combustion_efficiency", "lost_fraction"):
        if not 0.0 <= getattr(burn, name) <= 1.0:
            raise OutOfRange(f"{name} is {getattr(burn, name)}; it lies between 0 and 1.")
    for name in ("compression_exponent", "expansion_exponent"):
        if not 1.0 <= getattr(burn, name) <= 1.67:
            raise OutOfRange(f"{name} is {getattr(burn, name)}; a polytropic exponent lies between 1 and 1.67.")
