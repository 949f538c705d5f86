"""What to do: clean and retest, repair, take out of service, or watch."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from ringland.data.knowledge import Table, read_knowledge_file
from ringland.errors import SettingError
from ringland.model import Action, Cause, Diagnosis, natural_frequency

__all__ = ["actions", "load_actions"]

_URGENCY = ("now", "days", "weeks", "watch")
_WHEN = {
    "now": "before it is used again",
    "days": "within days",
    "weeks": "within weeks",
    "watch": "at the next service",
}
_SURE = 0.75
"""From here on a repair is advised without another test."""
_LIKELY = 0.3
_DANGEROUS = 0.2
"""A cause that must not be run with stands the vehicle down from here on."""
_SOUND = 0.8


@dataclass(frozen=True)
class _Advice:
    mode: str
    urgency: str
    scope: str
    consequences: str
    clean: str | None
    repair: str
    owner: str
    caution: str


@dataclass(frozen=True, eq=False)
class _AdviceBook:
    by_mode: Mapping[str, _Advice]
    words: Mapping[str, str]
    cautions: tuple[str, ...]


_WORDS = (
    "watch_owner",
    "watch_workshop",
    "retest_owner",
    "retest_workshop",
    "take_out_owner",
    "take_out_workshop",
    "test_owner",
    "unlisted_owner",
    "unlisted_workshop",
)


@lru_cache(maxsize=1)
def load_actions() -> _AdviceBook:
    """The advice that comes with the package; SettingError when a failure mode has none."""
    modes = {t.text("id"): t for t in read_knowledge_file("failure_modes.toml").tables("mode")}
    book = read_knowledge_file("actions.toml")
    found: dict[str, _Advice] = {}
    for table in book.tables("action", name="mode"):
        mode = table.text("mode", tuple(modes))
        if mode in found:
            raise SettingError(f"{table.where} is there twice.", got=mode)
        found[mode] = _one(table, mode, modes[mode])
    missing = sorted(set(modes) - set(found))
    if missing:
        raise SettingError(
            "actions.toml has no advice for some failure modes.", got=", ".join(missing)
        )
    common = book.table("common")
    words = {key: common.text(key) for key in _WORDS}
    cautions = common.texts("cautions")
    common.finish()
    book.finish()
    return _AdviceBook(found, words, cautions)


def _one(table: Table, mode: str, of: Table) -> _Advice:
    advice = _Advice(
        mode=mode,
        urgency=of.text("urgency", _URGENCY),
        scope=of.text("scope"),
        consequences=of.text("consequences"),
        clean=table.text("clean") if table.has("clean") else None,
        repair=table.text("repair"),
        owner=table.text("owner"),
        caution=table.text("caution"),
    )
    table.finish()
    return advice


def actions(diagnosis: Diagnosis) -> tuple[Action, ...]:
    """What to do now, most pressing first, in the owner's and in the workshop's words.

    Rules: a dangerous cause from 2 in 10 stands the vehicle down; hook-up trouble or an unlisted
    pattern from 3 in 10 is measured again; a cause from 3 in 10 is cleaned and measured again where
    that can cure it, and repaired from 3 in 4; below that one more test comes first; a sound engine
    from 8 in 10 is watched.
    """
    book = load_actions()
    if diagnosis.healthy >= _SOUND:
        return (_watch(diagnosis, book),)
    found: list[Action] = []
    dangerous = [c for c in diagnosis.causes if book.by_mode[c.failure_mode].urgency == "now"]
    dangerous = [c for c in dangerous if book.by_mode[c.failure_mode].scope != "hook_up"]
    danger = sum(c.probability for c in dangerous)
    if danger >= _DANGEROUS:
        found.append(_take_out(dangerous, danger, book))
    hook_up = [c for c in diagnosis.causes if book.by_mode[c.failure_mode].scope == "hook_up"]
    trouble = sum(c.probability for c in hook_up)
    if trouble >= _LIKELY:
        found.append(_retest(hook_up, trouble, book))
    if diagnosis.none_of_these >= _LIKELY or diagnosis.resembles_nothing is not None:
        found.append(_unlisted(diagnosis, book))
    for cause in diagnosis.causes:
        certain = cause.present if cause.present is not None else cause.probability
        if certain >= _LIKELY and book.by_mode[cause.failure_mode].scope != "hook_up":
            found.extend(_about(cause, certain, book))
    if not any(a.action in ("repair", "clean_and_retest", "measure_again") for a in found):
        found.append(_test_first(diagnosis, book))
    return tuple(found)


def _reason(cause: Cause, certain: float) -> str:
    return f"{cause.titled}: {natural_frequency(certain)}"


def _watch(diagnosis: Diagnosis, book: _AdviceBook) -> Action:
    return Action(
        action="watch",
        urgency=_WHEN["watch"],
        owner_words=book.words["watch_owner"],
        workshop_words=book.words["watch_workshop"],
        reasons=(f"Nothing wrong: {natural_frequency(diagnosis.healthy)}",),
        cautions=book.cautions,
    )


def _take_out(dangerous: list[Cause], danger: float, book: _AdviceBook) -> Action:
    leading = [c for c in dangerous if c.probability >= 0.05][:3]
    return Action(
        action="take_out_of_service",
        urgency=_WHEN["now"],
        owner_words=book.words["take_out_owner"],
        workshop_words=book.words["take_out_workshop"],
        reasons=(
            f"A cause that must not be run with: {natural_frequency(danger)}",
            *(_reason(c, c.probability) for c in leading),
            *(book.by_mode[c.failure_mode].consequences for c in leading[:1]),
        ),
        cautions=(*book.cautions, *(book.by_mode[c.failure_mode].caution for c in leading)),
    )


def _retest(hook_up: list[Cause], trouble: float, book: _AdviceBook) -> Action:
    likely = max(hook_up, key=lambda c: c.probability)
    advice = book.by_mode[likely.failure_mode]
    return Action(
        action="measure_again",
        urgency=_WHEN["now"],
        owner_words=book.words["retest_owner"],
        workshop_words=f"{advice.clean or advice.repair} {book.words['retest_workshop']}",
        reasons=(f"Trouble in the hook-up: {natural_frequency(trouble)}",),
        cautions=(*book.cautions, advice.caution),
    )


def _unlisted(diagnosis: Diagnosis, book: _AdviceBook) -> Action:
    return Action(
        action="measure_again",
        urgency=_WHEN["days"],
        owner_words=book.words["unlisted_owner"],
        workshop_words=book.words["unlisted_workshop"],
        reasons=(
            diagnosis.resembles_nothing
            or f"None of the listed causes: {natural_frequency(diagnosis.none_of_these)}",
        ),
        cautions=book.cautions,
    )


def _about(cause: Cause, certain: float, book: _AdviceBook) -> list[Action]:
    """Cleaning where it can help, repair when sure enough."""
    advice = book.by_mode[cause.failure_mode]
    reasons = (_reason(cause, certain), f"If run on: {_lower(advice.consequences)}")
    cautions = (*book.cautions, advice.caution)
    found = []
    if advice.clean is not None:
        found.append(
            Action(
                action="clean_and_retest",
                urgency=_WHEN[advice.urgency],
                owner_words=advice.owner,
                workshop_words=f"{cause.titled}. {advice.clean}",
                reasons=reasons,
                cautions=cautions,
            )
        )
    if certain >= _SURE:
        found.append(
            Action(
                action="repair",
                urgency=_WHEN[advice.urgency],
                owner_words=advice.owner,
                workshop_words=f"{cause.titled}. {advice.repair}",
                reasons=reasons,
                cautions=cautions,
            )
        )
    return found


def _test_first(diagnosis: Diagnosis, book: _AdviceBook) -> Action:
    named = diagnosis.next_tests[0] if diagnosis.next_tests else None
    workshop = "Do the follow-up test that tells the leading causes apart, then decide."
    if named is not None:
        place = f" on cylinder {named.cylinder}" if named.cylinder is not None else ""
        workshop = f"{named.title}{place} first ({named.minutes:.0f} minutes), then decide."
    leading = [c for c in diagnosis.causes if c.probability >= 0.05][:3]
    return Action(
        action="test_first",
        urgency=_WHEN["days"],
        owner_words=book.words["test_owner"],
        workshop_words=workshop,
        reasons=tuple(_reason(c, c.probability) for c in leading)
        or (f"Nothing wrong: {natural_frequency(diagnosis.healthy)}",),
        cautions=(*book.cautions, *(named.cautions if named is not None else ())),
    )


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
