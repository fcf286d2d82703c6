"""What is said of a suspect: which readings speak for it, and how they go with a good circuit.

A reading speaks for a suspect where the suspect would show what was read, and a good circuit, by itself and with all its
tolerances, would not. Where no reading does so by itself, several may together: they go with one another as no good circuit's
would. Whether a reading lies in a good circuit's band is asked of `verify`, so that nothing said here speaks against that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from circuitsim.measure import INSTRUMENTS
from circuitsim.studies.diagnosis import HEALTHY, OTHER, Compared, Suspect, percent
from circuitsim.studies.doubts import placed
from circuitsim.studies.likelihood import Likelihood
from circuitsim.studies.verify import verify
from circuitsim.studies.weighing import SPEAKS

if TYPE_CHECKING:
    from circuitsim.studies.diagnose import Diagnosing
    from circuitsim.studies.pairs import Pair
    from circuitsim.studies.severities import Course

__all__ = ["as_good", "compared", "of_pair", "pairs_tried", "reminder", "silent", "speaking", "strays"]

Array = NDArray[np.float64]
_OUT = 2.5  # standard deviations; a reading further off is not as a good circuit's
_FITS, _ODD = 2.0, 3.0  # standard deviations; up to which a suspect explains a reading, from which on it does not
_FAR = 3.0  # times as far off with a good circuit as with a suspect, which then need not fit as well
_NEAR = 3.0  # standard deviations; a reading outside its band that is no further off lies just outside
_LOOKS = 5.0  # nats; what a lamp or an overloaded display says where one would show it and the other would not
_SWING = 0.1  # of the range of a display that jumps; a fault that swings it by less is not what makes it jump
_QUOTED, _NAMED = 2, 3  # readings in a sentence


def compared(work: Diagnosing, value: Array, shared: Array, *, flickers: bool = False) -> tuple[Compared, ...]:
    """Put readings beside what a suspect shows there, and a good circuit.

    value, shared: of the suspect, (1, readings, …); flickers: whether that comes and goes.
    """
    sharp = work.sharp
    good = sharp.healthy.value[0]
    off = sharp.likelihood.apart(value, shared)[0]
    good_off = sharp.likelihood.apart(sharp.healthy.value, sharp.healthy.shared)[0]
    found = []
    for j, r in enumerate(work.readings):
        texts = work.display(r), work.text(r.task, float(value[0, j])), work.text(r.task, float(good[j]))
        if r.shown.kind == "number":
            tells = _tells(float(off[j]), float(good_off[j])) * _seen_apart(work, j, value[0, j], good[j])
        elif r.shown.kind == "unstable":
            tells = _LOOKS * (flickers and abs(value[0, j] - good[j]) > _SWING * (r.shown.high - r.shown.low))
        else:
            tells = _LOOKS * (texts[0] == texts[1] != texts[2])
        found.append(Compared(placed(r.task), *texts[:2], float(off[j]), texts[2], float(good_off[j]), tells, r.shown.kind))
    return tuple(found)


def _tells(off: float, good_off: float) -> float:
    """Give how much a number speaks for a suspect against a good circuit, nats, by itself; 0 where it does not."""
    fits = abs(off) < _FITS or abs(off) < min(_ODD, abs(good_off) / _FAR)
    return 0.5 * (good_off**2 - off**2) if fits and abs(good_off) > _OUT else 0.0


def _seen_apart(work: Diagnosing, j: int, one: float, other: float) -> bool:
    """Whether a meter can tell two values from each other where a reading was taken."""
    limit = work.meter.limit(max(abs(one), abs(other)), INSTRUMENTS[work.readings[j].task.instrument])
    return bool(abs(one - other) > limit)


def speaking(readings: Sequence[Compared]) -> list[str]:
    """Quote the readings that speak most for a suspect against a good circuit."""
    order = [j for j in np.argsort([-r.tells for r in readings], kind="stable").tolist() if readings[j].tells > 0]
    return [_quoted(readings[j]) for j in order[:_QUOTED]]


def _quoted(r: Compared) -> str:
    if r.kind == "unstable":
        return f"{r.placed} jumps ({r.shown}): with this fault it is {r.predicted} at one moment, {r.good} at the next"
    return f"{r.placed} shows {r.shown}, this fault {r.predicted}, a good circuit {r.good}"


def silent(work: Diagnosing, readings: Sequence[Compared], value: Array, shared: Array, *, flickers: bool = False) -> str:
    """Say what there is for a suspect for which no reading speaks by itself; flickers: whether it comes and goes."""
    # What comes and goes may have been good when a reading was taken.
    odd = [r for r in readings if _missed(r, r.off, r.predicted) and not (flickers and not _missed(r, r.good_off, r.good))]
    own, good = (
        float(work.likelihood.judge(*one).total[0])
        for one in ((value, shared), (work.healthy.value, work.healthy.shared))
    )  # fmt: skip
    if own > good + SPEAKS:
        told = "; no reading by itself tells it from a good circuit, but all together speak for it" + _together(
            work, value, shared
        )
        return told + (f"; it does not explain {_listed([r.placed for r in odd])}" if odd else "")
    if odd and not all(_missed(r, r.good_off, r.good) for r in odd):
        return f"; it does not explain {_listed([r.placed for r in odd])}"
    if odd:
        return f"; a good circuit reads about the same, but neither explains {_listed([r.placed for r in odd])}"
    return "; every reading agrees with it, and with a good circuit" + _but(work.strays)


def _missed(r: Compared, off: float, predicted: str) -> bool:
    """Whether what is predicted does not explain a reading: a number by far, or what a lamp or an overload shows at all."""
    return abs(off) > _ODD if r.kind in ("number", "unstable") else r.shown != predicted


def _together(work: Diagnosing, value: Array, shared: Array) -> str:
    """Name the reading that goes with all others as a suspect has it, and not as a good circuit would; '' for none."""
    known = work.sharp.likelihood
    good_off, good_would = _given_others(known, work.sharp.healthy.value, work.sharp.healthy.shared)
    off, _ = _given_others(known, value, shared)
    for n in np.argsort(-np.abs(good_off)).tolist():
        j, would = int(known.numbers[n]), float(good_would[n])
        if abs(good_off[n]) <= _OUT:
            break
        r = work.readings[j]
        if abs(off[n]) < _FITS and _seen_apart(work, j, known.value[n], would):
            return (
                f": {placed(r.task)} shows {work.display(r)}, where a good circuit that reads all else alike would show "
                f"{work.text(r.task, would)}"
            )
    return ""


def _given_others(likelihood: Likelihood, value: Array, shared: Array) -> tuple[Array, Array]:
    """Give how far each number is off given all others, in standard deviations, and what it would then be; each (numbers,)."""
    if not likelihood.numbers.size:
        return np.zeros(0), np.zeros(0)
    inverse, _, left = likelihood.solved(value, shared)
    variance = 1 / np.diagonal(inverse[0])
    given = (inverse[0] @ left[0]) * variance
    return given / np.sqrt(variance), likelihood.value - given


# Two faults at once -------------------------------------------------------------------------------------------------


def of_pair(work: Diagnosing, pair: Pair, course: Course, readings: Sequence[Compared]) -> str:
    """Say what is wrong with two faults at once, and which readings these explain that the best single one does not."""
    k = _best_single(work)
    reads = work.reads(work.courses[k], work.densities[k])
    single, name = compared(work, *reads, flickers=work.courses[k].against is not None), work.members[k][0].name
    freed = [j for j, (one, both) in enumerate(zip(single, readings, strict=True)) if _freed(one, both)]
    freed.sort(key=lambda j: abs(readings[j].off) - abs(single[j].off))
    quoted = [
        f"{readings[j].placed} shows {readings[j].shown}, both together {readings[j].predicted}, {name} alone "
        f"{single[j].predicted}"
        for j in freed[:_QUOTED]
    ]  # fmt: skip
    if quoted:
        return "; ".join([pair.what, *quoted])
    if _top(work, course) > _best_log(work) + SPEAKS:
        return f"{pair.what}; no reading by itself tells both from {name} alone, but all together do"
    return f"{pair.what}; {name} alone explains the readings as well"


def _freed(one: Compared, both: Compared) -> bool:
    """Whether two faults explain a reading that one alone does not."""
    if not both.number:
        return both.shown == both.predicted != one.predicted
    return abs(one.off) > _OUT and abs(both.off) < _FITS


def pairs_tried(work: Diagnosing, chances: Mapping[str, float], suspects: Sequence[Suspect]) -> list[str]:
    """Say what became of two faults at once where they were weighed and none is listed."""
    if not work.both or any(s.leader.fault == pair.name for s in suspects for pair, _, _ in work.pairs):
        return []
    if not work.pairs:
        return ["two faults at once were weighed: none come near these readings"]
    pair, course, _ = max(work.pairs, key=lambda one: chances[one[0].name])
    better = _top(work, course) > _best_log(work) + SPEAKS
    told = "they explain the readings better than one fault, but two at once are rarer" if better else (
        "they explain the readings no better than one fault, or a good circuit"
    )  # fmt: skip
    return [f"of two faults at once {pair.name} came nearest, with {percent(chances[pair.name])}: {told}"]


def _best_single(work: Diagnosing) -> int:
    """Give the number of the fault that, as bad as it can be likeliest, explains the readings best."""
    return int(np.argmax([d.logs.max() for d in work.densities]))


def _best_log(work: Diagnosing) -> float:
    return max(work.base, float(work.densities[_best_single(work)].logs.max()))


def _top(work: Diagnosing, course: Course) -> float:
    return float(course.density(work.likelihood, work.sightings).logs.max())


# Beside a good circuit ----------------------------------------------------------------------------------------------


def strays(work: Diagnosing) -> tuple[tuple[str, bool], ...]:
    """Name the readings outside a good circuit's band, the furthest off first, and whether each lies just outside.

    By the rule of `verify`; where that can judge nothing, by standard deviations.
    """
    found = replace(work.findings, readings=tuple(work.readings), observations=())
    checked = verify(work.circuit, replace(found, readings=()), found, work.meter.name).readings
    off = np.abs(work.sharp.likelihood.apart(work.sharp.healthy.value, work.sharp.healthy.shared)[0])
    out = [
        j for j, one in enumerate(checked) if one.inside is False or (one.inside is None and off[j] > _OUT)
    ]  # fmt: skip
    out.sort(key=lambda j: -_size(checked[j].off, float(off[j])))
    return tuple((placed(work.readings[j].task), _size(checked[j].off, float(off[j])) < _NEAR) for j in out)


def _size(off: float, other: float) -> float:
    """Give how far a reading is off; what is no number is far off."""
    return abs(off) if np.isfinite(off) else max(other, _NEAR)


def as_good(work: Diagnosing) -> str:
    """Say how the readings agree with a good circuit."""
    if not work.readings:
        return "nothing was measured that speaks against a good circuit"
    out, count = work.strays, len(work.readings)
    if not out:
        return "every reading lies where a good circuit's would"
    if 2 * len(out) > count:
        what = "the only reading lies" if count == 1 else f"{len(out)} of {count} readings lie"
        return f"{what} outside a good circuit's band: {_listed([name for name, _ in out])}"
    return "readings lie where a good circuit's would" + _but(out)


def reminder(work: Diagnosing, suspects: Sequence[Suspect], *, enough: bool) -> str:
    """Say, after the advice, what the bands of a good circuit add to it; '' for nothing.

    Who is told that nothing is wrong is sent back to what lies outside. Where nothing does, a fault is told by how readings go
    with one another: a circuit that was built otherwise than its file says may read so too.
    """
    leader = suspects[0].leader.fault if suspects else OTHER
    if leader == HEALTHY:
        return f"; take again what lies outside its band: {_listed([name for name, _ in work.strays])}" * (
            enough and bool(work.strays)
        )
    if leader == OTHER or work.likelihood.numbers.size < len(work.readings) or not work.readings or work.strays:
        return ""
    return (
        "; by itself every reading lies in a good circuit's band, and wires led otherwise than in the file would read so too: "
        "measure across the part before you take it apart"
    )


def _but(out: Sequence[tuple[str, bool]]) -> str:
    """Name the readings outside their bands as an exception; '' for none."""
    if not out:
        return ""
    just = ", just outside its band" if len(out) == 1 else ", just outside their bands"
    return f", but for {_listed([name for name, _ in out])}{just if all(near for _, near in out) else ''}"


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return "; ".join(names[:_NAMED]) + more
