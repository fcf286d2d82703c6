"""What to do with the chances of a diagnosis, in a sentence: stop at a repair, or measure on; and how firm that is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from circuitsim.studies.diagnosis import HEALTHY, OTHER, Suspect, percent
from circuitsim.studies.next_test import TOLD, Choice

__all__ = ["advise", "afterthought", "firmness"]

_SURE = 1e-9  # a risk; what is rounded to none is not told as none
_ELSE = "the vehicle is not as its file says: longer wires, another motor"
_BADLY = 3.0  # standard deviations; a suspect fits badly when a reading is further off it


def advise(
    suspects: Sequence[Suspect], cures: Mapping[str, float], minutes: Mapping[str, float], ranked: Sequence[Choice] | None,
    sure: float, but: str = "",
) -> tuple[bool, str]:  # fmt: skip
    """Say whether enough is known, and what to do.

    suspects: the likeliest first; cures: the chance of each repair, of 'healthy' and 'something else'; minutes: of each repair;
    ranked: tests, None where nobody asked for any; sure: chance of one repair from which on enough is known; but: what speaks
    against stopping there, see `afterthought`.
    """
    enough, told = _advised(suspects, cures, minutes, ranked, sure, firm=not but)
    return enough and not but, told + but


def _advised(
    suspects: Sequence[Suspect], cures: Mapping[str, float], minutes: Mapping[str, float], ranked: Sequence[Choice] | None,
    sure: float, *, firm: bool,
) -> tuple[bool, str]:  # fmt: skip
    cure, chance = max(cures.items(), key=lambda one: one[1])
    if chance >= sure:
        return True, _stop(cure, chance, minutes.get(cure, 0.0), firm=firm)
    if not suspects:
        return False, "nothing measured yet points anywhere"
    if ranked is None or (ranked and ranked[0].bits > TOLD):
        return False, f"not enough yet: {_open(suspects[0], cure, cures)}; measure on"
    first = suspects[0]
    if first.leader.fault == HEALTHY and len(first.faults) > 1:
        rest = f"tells it from the {_faults(first)} that these readings would not show"
        return True, f"this may well be a good circuit ({percent(cures[HEALTHY])}): no test that can be made {rest}"
    names = ", ".join(first.faults[:6])
    return True, f"no test that can be made tells more: {names} ({percent(first.probability)}) stay together"


def afterthought(suspects: Sequence[Suspect], *, both: bool, again: bool) -> str:
    """Say what to do, after the advice, where no single fault fits well; '' where one does.

    both: whether two faults at once were weighed; again: whether readings may have the wrong sign, and are to be taken again.
    """
    if not suspects:
        return ""
    first, other = suspects[0], suspects[0].leader.fault == OTHER
    badly = not first.unseen and any(abs(r.off) > _BADLY for r in first.readings)
    if again and (other or badly):
        return "; but first measure again what is named above"
    if not (other or badly) or (both and other):
        return ""
    if both:
        return f"; even two faults at once fit badly: {_ELSE}"
    why = (
        "two faults at once may explain them"
        if other
        else "even the best single suspect fits badly: two at once may fit better"
    )
    return f"; {why} (--pairs weighs these), or {_ELSE}"


def _stop(cure: str, chance: float, minutes: float, *, firm: bool) -> str:
    wrong = f"{percent(max(1 - chance, _SURE))} risk of being wrong"
    if cure == HEALTHY:
        return f"nothing wrong that these readings could show ({wrong}); in band does not prove every part"
    if cure == OTHER:
        return f"none of the faults in the library explains these readings ({wrong}): look for something else"
    if not firm:
        return f"not enough yet: of single repairs, {cure} has {percent(chance)} (about {minutes:.0f} min)"
    return f"enough: {cure} (about {minutes:.0f} min, {wrong}); then prove it with 'verify'"


def _open(first: Suspect, cure: str, cures: Mapping[str, float]) -> str:
    """Say what is open; cure: the likeliest, 'healthy' and 'something else' among them."""
    if first.leader.fault == HEALTHY and cure == HEALTHY and len(first.faults) > 1:
        hidden = f"but {_one_of(first)} that these readings would not show has {percent(first.probability - cures[cure])}"
        return f"a good circuit has {percent(cures[cure])}, {hidden}"
    if cure == HEALTHY and first.cures:
        own = max(first.cures, key=lambda one: cures[one])
        return (
            f"the first suspect has {percent(first.probability)}, but its likeliest repair ({own}) has "
            f"{percent(cures[own])}, and a good circuit {percent(cures[cure])}"
        )  # fmt: skip
    named = f"'{cure}'" if cure in (HEALTHY, OTHER) else f"the likeliest repair ({cure})"
    return f"{named} has {percent(cures[cure])}"


def _one_of(first: Suspect) -> str:
    return "one fault" if len(first.faults) == 2 else f"one of {_faults(first)}"


def _faults(first: Suspect) -> str:
    count = len(first.faults) - 1
    return f"{count} fault{'s' if count > 1 else ''}"


def firmness(suspects: Sequence[Suspect], flat: Mapping[str, float]) -> str:
    """Say what becomes of the first suspect if all kinds of faults were equally likely; flat: the chances that then hold."""
    if not suspects:
        return ""
    groups = [(sum(flat.get(name, 0.0) for name in s.faults), s.faults[0], len(s.faults) - 1) for s in suspects]
    listed = {name for s in suspects for name in s.faults}
    single = [(chance, name, 0) for name, chance in flat.items() if name not in listed]
    chance, leader, others = max([*groups, *single])
    before = "with all kinds of faults equally likely beforehand, the first suspect would"
    if leader == suspects[0].faults[0]:
        return f"{before} still come first, with {percent(min(chance, 1 - _SURE))}"
    more = f" (and {others} more that go{'es' * (others == 1)} with it)" if others else ""
    named = "a good circuit" if leader == HEALTHY else leader
    return f"{before} have {percent(groups[0][0])}, and {named}{more} would come first, with {percent(chance)}"
