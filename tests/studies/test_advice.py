"""What a diagnosis advises, word by word: no sentence may speak against the list of suspects above it."""

from __future__ import annotations

import math

import pytest

from circuitsim.measure import Conditions, Task
from circuitsim.studies.advice import advise, firmness
from circuitsim.studies.diagnosis import HEALTHY, OTHER, Diagnosis, Member, Suspect, percent
from circuitsim.studies.next_test import Choice

MINUTES = {"clean A": 20.0, "replace B": 60.0}


def suspect(*members: tuple[str, float, str]) -> Suspect:
    """A suspect of (fault, chance, repair)."""
    found = tuple(Member(name, chance, math.nan, "", cure, 10.0) for name, chance, cure in members)
    return Suspect(found, sum(m.probability for m in found), "")


def choice(bits: float) -> Choice:
    return Choice(Task("4", Conditions(), "voltmeter", "MOT-", "GND"), "low side", bits, 1.0, ())


GOOD = suspect((HEALTHY, 0.65, ""), ("A:open", 0.2, "clean A"), ("B:open", 0.1, "replace B"))
OPEN = suspect(("A:open", 0.3, "clean A"), ("B:open", 0.25, "replace B"))
PLAIN = suspect((HEALTHY, 0.35, ""))


def test_a_good_circuit_first_and_more_to_measure() -> None:
    """The chance of the circuit being good, and that of what the readings would not show, side by side."""
    enough, said = advise([GOOD], {HEALTHY: 0.65, "clean A": 0.2, "replace B": 0.1}, MINUTES, [choice(0.5)], 0.9)
    assert not enough
    assert said == (
        "not enough yet: a good circuit has 65 %, but one of 2 faults that these readings would not show has 30 %; measure on"
    )


def test_a_good_circuit_first_and_nothing_more_to_measure() -> None:
    enough, said = advise([GOOD], {HEALTHY: 0.65, "clean A": 0.2, "replace B": 0.1}, MINUTES, [], 0.9)
    assert enough
    assert said == (
        "this may well be a good circuit (65 %): no test that can be made tells it from the 2 faults that these readings would "
        "not show"
    )  # fmt: skip


def test_faults_first_of_which_no_repair_is_as_likely_as_a_good_circuit() -> None:
    """'healthy has 35 %' alone would speak against the first suspect's 55 %."""
    cures = {HEALTHY: 0.35, "clean A": 0.3, "replace B": 0.25}
    enough, said = advise([OPEN, PLAIN], cures, MINUTES, None, 0.9)
    assert not enough
    assert said == (
        "not enough yet: the first suspect has 55 %, but its likeliest repair (clean A) has 30 %, and a good circuit 35 %; "
        "measure on"
    )  # fmt: skip


@pytest.mark.parametrize(
    ("suspects", "cures", "ranked", "told"),
    [
        ([OPEN], {"clean A": 0.95, HEALTHY: 0.05}, [], (True, "enough: clean A (about 20 min, 5 % risk of being wrong); then")),
        ([GOOD], {HEALTHY: 0.95, "clean A": 0.05}, [], (True, "nothing wrong that these readings could show (5 % risk")),
        ([OPEN], {OTHER: 0.95, HEALTHY: 0.05}, [], (True, "none of the faults in the library explains these readings")),
        (
            [OPEN],
            {"clean A": 0.3, "replace B": 0.25},
            None,
            (False, "not enough yet: the likeliest repair (clean A) has 30 %;"),
        ),
        ([OPEN], {OTHER: 0.4, "clean A": 0.3}, None, (False, "not enough yet: 'something else' has 40 %;")),
        ([PLAIN], {HEALTHY: 0.35, "clean A": 0.3}, None, (False, "not enough yet: 'healthy' has 35 %;")),
        ([OPEN], {"clean A": 0.3, "replace B": 0.25}, [], (True, "no test that can be made tells more: A:open, B:open (55 %)")),
        ([], {HEALTHY: 0.3}, None, (False, "nothing measured yet points anywhere")),
    ],
)
def test_what_is_advised(
    suspects: list[Suspect], cures: dict[str, float], ranked: list[Choice] | None, told: tuple[bool, str]
) -> None:
    enough, said = advise(suspects, cures, MINUTES, ranked, 0.9)
    assert enough is told[0]
    assert said.startswith(told[1])


def test_where_the_best_fits_badly_nobody_is_told_to_stop() -> None:
    enough, said = advise([OPEN], {"clean A": 0.997, HEALTHY: 0.003}, MINUTES, [], 0.9, "; it fits badly")
    assert not enough
    assert said == "not enough yet: of single repairs, clean A has over 99 % (about 20 min); it fits badly"


def test_of_what_is_not_certain_it_is_not_said_that_it_is() -> None:
    assert [percent(p) for p in (0.0, 0.004, 0.5, 0.996, 1.0)] == ["0 %", "under 1 %", "50 %", "over 99 %", "100 %"]


BEFORE = "with all kinds of faults equally likely beforehand, the first suspect would "


@pytest.mark.parametrize(
    ("flat", "told"),
    [
        ({"A:open": 0.25, "B:open": 0.25, HEALTHY: 0.4}, "still come first, with 50 %"),  # though no fault alone has 40 %
        ({"A:open": 0.1, "B:open": 0.1, HEALTHY: 0.7}, "have 20 %, and a good circuit would come first, with 70 %"),
        ({"A:open": 0.1, "C:open": 0.6}, "have 10 %, and C:open would come first, with 60 %"),  # of no suspect listed
    ],
)
def test_suspects_are_compared_with_suspects(flat: dict[str, float], told: str) -> None:
    assert firmness([OPEN, PLAIN], flat) == BEFORE + told


def test_a_group_that_would_come_first_is_told_as_one() -> None:
    flat = {HEALTHY: 0.2, "A:open": 0.3, "B:open": 0.3}
    told = "have 20 %, and A:open (and 1 more that goes with it) would come first, with 60 %"
    assert firmness([PLAIN, OPEN], flat) == BEFORE + told
    assert firmness([], flat) == ""


def test_a_repair_that_is_not_that_of_the_first_fault_is_told() -> None:
    """Three faults of 10 % with one repair outweigh the one of 20 % that is named first."""
    three = suspect(("C:x", 0.1, "renew D"), ("C:y", 0.1, "renew D"), ("C:z", 0.1, "renew D"))
    first = suspect(("A:open", 0.2, "clean A"), ("B:open", 0.05, "replace B"))

    def told(*suspects: Suspect) -> str:
        return Diagnosis("c", "", "", "", suspects, (), None, (), False, "", "", {}).other_repair

    both = suspect(*((m.fault, m.probability, m.cure) for s in (first, three) for m in s.members))
    assert (
        told(both)
        == told(first, three)
        == (
            "the likeliest repair is not that of the fault named first, A:open (20 %): "
            "'renew D' has 30 %, as it cures C:x, C:y, C:z"
        )
    )
    assert told(first) == told(PLAIN) == told() == ""
