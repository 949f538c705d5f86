"""The code that lets one more device in: good once, for a few minutes, for a few tries.

There is one code at a time. It is kept in memory only, so stopping the app ends it.
"""

import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from ringland.web.errors import NotPaired
from ringland.web.sessions import Role

__all__ = ["LIFE_S", "MOST_WRONG", "Code", "CodeState", "Pairing"]

LIFE_S = 600.0
"""How long a code is good: the most that ASVS 4.0.3, 2.7.2 allows."""
MOST_WRONG = 5
"""Wrong tries after which a code is no longer good."""
_DIGITS = 8
"""26 bits; ASVS 4.0.3, 2.7.6 asks for 20."""


class CodeState(StrEnum):
    """What became of a code."""

    GOOD = "good"
    USED = "used"
    TOO_OLD = "too old"
    TRIED_OUT = "ended after wrong tries"
    ENDED = "ended"


@dataclass(frozen=True)
class Code:
    """A code as it stands. `text` is what is typed, `ends_s` on the clock of `Pairing`."""

    text: str
    role: Role
    ends_s: float
    state: CodeState = CodeState.GOOD
    wrong_tries: int = 0

    @property
    def shown(self) -> str:
        """In two groups, to be read aloud."""
        half = len(self.text) // 2
        return f"{self.text[:half]} {self.text[half:]}"


class Pairing:
    """Makes codes and takes them back in. Safe to use from several threads."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._code: Code | None = None

    def new(self, role: Role) -> Code:
        """A new code; the one before is no longer good."""
        text = f"{secrets.randbelow(10**_DIGITS):0{_DIGITS}d}"
        with self._lock:
            self._code = Code(text, role, self._clock() + LIFE_S)
            return self._code

    def newest(self) -> Code | None:
        """The code made last, with what became of it; None before the first."""
        with self._lock:
            return self._looked_at()

    def left_s(self, code: Code) -> float:
        """Seconds for which a code is still good."""
        return max(code.ends_s - self._clock(), 0.0) if code.state is CodeState.GOOD else 0.0

    def end(self) -> None:
        """No code is good any more."""
        with self._lock:
            code = self._looked_at()
            if code is not None and code.state is CodeState.GOOD:
                self._code = _with(code, CodeState.ENDED)

    def redeem(self, given: str) -> Role:
        """The role that a code gives; it is used up. Raises NotPaired, which does not tell whether
        there is a good code at all."""
        digits = "".join(c for c in given if c in "0123456789")
        with self._lock:
            code = self._looked_at()
            good = code is not None and code.state is CodeState.GOOD
            expected = code.text if code is not None else "0" * _DIGITS
            fits = hmac.compare_digest(digits.encode(), expected.encode())
            if code is not None and good and fits:
                self._code = _with(code, CodeState.USED)
                return code.role
            if code is not None and good:
                self._code = _with_wrong_try(code)
        raise NotPaired(
            "That code is not good.",
            allowed=f"{_DIGITS} digits, once, within {LIFE_S / 60:.0f} minutes",
            remedy="Look at the code on the computer that shares, or make a new one there under "
            "Settings.",
        )

    def _looked_at(self) -> Code | None:
        code = self._code
        if code is not None and code.state is CodeState.GOOD and self._clock() >= code.ends_s:
            self._code = code = _with(code, CodeState.TOO_OLD)
        return code


def _with(code: Code, state: CodeState) -> Code:
    return Code(code.text, code.role, code.ends_s, state, code.wrong_tries)


def _with_wrong_try(code: Code) -> Code:
    wrong = code.wrong_tries + 1
    state = CodeState.TRIED_OUT if wrong >= MOST_WRONG else CodeState.GOOD
    return Code(code.text, code.role, code.ends_s, state, wrong)
