"""What the library assumes where a sheet is silent, as arguments of the physics: one place for all tests."""

from __future__ import annotations

from lobeledger.engine.burn import BurnEstimate
from lobeledger.engine.cycle import burn_of
from lobeledger.sheet.open import build_from_text, starter_sheet

MODEL = build_from_text(starter_sheet()).model

# `train_from`
TRAIN = dict(
    stiffness_at_valve_n_per_m=MODEL.valvetrain_stiffness_n_per_m,
    lobe_stiffness_n_per_m=MODEL.lobe_contact_stiffness_n_per_m,
    seat_stiffness_n_per_m=MODEL.seat_contact_stiffness_n_per_m,
    damping_ratio=MODEL.valvetrain_damping,
    lobe_damping_ratio=MODEL.lobe_contact_damping,
    seat_damping_ratio=MODEL.seat_contact_damping,
    pushrod_share=MODEL.pushrod_share,
    lifter_incline_rad=MODEL.lifter_incline_rad,
)
# springs
SPRING = dict(damping_ratio=MODEL.spring_damping)
SPRING_SHARE = dict(active_share=MODEL.spring_active_share, **SPRING)
# `lobe_from_card`
CARD = dict(jerk_allowance=MODEL.jerk_allowance, shape_allowance=MODEL.shape_allowance)
# the runner, and `fill_and_empty` through it
RUNNER = dict(
    entry_loss=MODEL.runner_entry_loss,
    friction_factor=MODEL.runner_friction,
    plenum_exit_loss=MODEL.plenum_exit_loss,
)
BURN: BurnEstimate = burn_of(MODEL)
GAS = dict(
    **RUNNER,
    charge_heating_k=MODEL.charge_heating_k,
    burn=BURN,
    gamma_fresh=MODEL.gamma_fresh,
    gamma_burned=MODEL.gamma_burned,
)
EXHAUST = dict(reference_speed_rpm=MODEL.exhaust_reference_speed_rpm)
