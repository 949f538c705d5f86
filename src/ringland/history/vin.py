"""The check digit of a vehicle identification number. Only ever a warning.

17 characters, ISO 3779; the check digit in place 9 is a North American rule (49 CFR 565.15(c),
Tables III to V): most other markets do not use it, so a wrong one may still be a right number.
"""

from dataclasses import dataclass

__all__ = ["VinCheck", "check_vin"]

_VALUES = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", "12345678123457923456789", strict=True)) | {
    digit: digit for digit in "0123456789"
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)


@dataclass(frozen=True)
class VinCheck:
    """`digit` is what place 9 should be, None when the number has no such place; `warning` a
    sentence, "" when there is nothing to say."""

    digit: str | None
    warning: str

    @property
    def agrees(self) -> bool:
        """True when nothing speaks against the number."""
        return not self.warning


def check_vin(vin: str) -> VinCheck:
    """Look at a number as it was typed. Never raises."""
    text = vin.strip().upper()
    if not text:
        return VinCheck(None, "")
    wrong = sorted({c for c in text if c not in _VALUES})
    if wrong:
        return VinCheck(
            None, f"A VIN has no {', '.join(wrong)}: only digits and letters without I, O and Q."
        )
    if len(text) != 17:
        return VinCheck(
            None, f"A VIN has 17 characters, this has {len(text)}. Older vehicles have others."
        )
    total = sum(int(_VALUES[c]) * w for c, w in zip(text, _WEIGHTS, strict=True))
    digit = "X" if total % 11 == 10 else str(total % 11)
    if text[8] == digit:
        return VinCheck(digit, "")
    return VinCheck(
        digit,
        f"The check digit would be {digit}, place 9 says {text[8]}. Read it again; outside North "
        "America it may be right as it is.",
    )
