"""Which readings a follow-up test takes, as fields of a form; the text is parsed elsewhere."""

__all__ = ["READING_FIELDS"]

READING_FIELDS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "leakdown": (
        ("percent", "Loss, %", "as read, such as 35"),
        ("orifice", "Orifice of the tester", "with unit, such as 1.0mm"),
        ("supply", "Supply pressure", "with unit, such as 7bar"),
        ("heard", "Air heard at", "exhaust, intake, crankcase, coolant, neighbour or unclear"),
    ),
    "compression": (
        ("dry", "This cylinder, dry", "with unit, such as 8.5bar"),
        ("highest", "Best cylinder", "with unit, such as 12bar"),
        ("wet", "After oil, when low", "with unit, such as 10bar"),
        ("altitude", "Altitude, if high", "with unit, such as 1500m"),
        ("least_ratio", "Lowest to highest, maker's", "such as 0.75"),
    ),
    "power_balance": (
        ("drop", "Speed drop of this cylinder, rpm", "such as 20"),
        ("others", "Speed drop of the others, rpm", "such as 60"),
    ),
    "fuel_trims": (
        ("idle_trim", "Trim at idle, %", "short and long term added, such as 12"),
        ("held_trim", "Trim at 2500 rpm, %", "such as 3"),
    ),
    "exhaust_back_pressure": (("pressure", "Back-pressure", "with unit, such as 5kPa"),),
    "crankcase_pressure": (("pressure", "Crankcase pressure", "gauge, such as 200Pa"),),
    "trouble_codes": (("codes", "Codes", "with commas, such as P0303, P0300"),),
}
"""Test -> (name for the parser, label, how it is written)."""
