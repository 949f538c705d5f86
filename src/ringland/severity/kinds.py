"""Which kind of the simulator shows a failure mode."""

from types import MappingProxyType

__all__ = ["KIND_OF_MODE", "SHOWN_AS"]

KIND_OF_MODE = MappingProxyType(
    {
        "ring_leak": "ring_leak",
        "scored_bore": "scored_bore",
        "exhaust_valve_leak": "exhaust_valve_leak",
        "inlet_valve_leak": "inlet_valve_leak",
        "lean_cylinder": "weak_burn",
        "late_burn_cylinder": "late_burn",
        "rich_cylinder": "rich",
        "exhaust_cam_lobe_worn": "worn_exhaust_lobe",
        "inlet_cam_lobe_worn": "worn_inlet_lobe",
        "intake_leak_cylinder": "intake_leak_cylinder",
    }
)
"""Failure mode -> kind of the simulator whose severity is in the same unit and means the same."""

SHOWN_AS = MappingProxyType(
    {
        **KIND_OF_MODE,
        "ignition_misfire": "misfire",
        "rings_worn_all": "worn_rings",
        "gasket_between_cylinders": "neighbour_leak",
        "exhaust_restriction": "exhaust_restriction",
        "crankcase_vent_open": "crankcase_vent_leak",
        "crankcase_vent_blocked": "crankcase_vent_blocked",
        "valve_timing_late": "valve_timing_shift",
        "valve_spring_weak": "broken_exhaust_spring",
        "low_compression_ratio": "low_compression",
        "injector_overfuel": "injector_dribble",
        "exhaust_leak_before_sensor": "exhaust_leak",
        "lean_mixture": "intake_leak_plenum",
    }
)
"""Failure mode -> kind of the simulator that looks like it, whatever its size is measured in. Of
modes that cover more than one kind (a spring of either valve) the commoner one; modes without a
kind are not simulated."""
