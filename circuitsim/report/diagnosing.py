"""A diagnosis as text and Markdown: suspects, why, what to measure next, what to do."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence

from circuitsim.report.markdown import escaped
from circuitsim.report.typeset import Line, clean, line, pad, plain, wrap
from circuitsim.studies.diagnosis import HEALTHY, Compared, Diagnosis, Member, Suspect
from circuitsim.studies.next_test import Choice, Look

__all__ = ["diagnosis_brief", "diagnosis_cautions", "diagnosis_head", "diagnosis_lines", "diagnosis_markdown", "diagnosis_text"]

_GAP = "  "
_INDENT = " " * 7  # under a chance
_LISTED, _BRIEF = 5, 3  # suspects; in a dialogue
_LITTLE = 0.05  # chance; of a suspect with less there is the reason alone
_MOST, _FEW = 8, 3  # names in a line; in a dialogue
_ROWS, _LEAST = 12, 3  # readings beside what a suspect predicts, unless all are asked for
_NEWS = 1.0  # standard deviations; what is no further off or apart is left out there
_FITS, _ODD = 2.0, 3.0  # standard deviations up to which a reading agrees, and from which on it has a row before others
_TABLES = 2  # suspects with a table of readings
_RANGES = 6  # of the next test, in a dialogue
_UNIT = re.compile(r"(?<=[0-9]) (?=(?:%|[mkMµ]?(?:V|A|Ω|N·m)|sd|min|bits)(?![A-Za-z]))")
_WOULD_READ = "Given the readings so far it would read:"


def diagnosis_head(found: Diagnosis, width: int | None = None) -> list[Line]:
    """Give circuit, conditions and meter, and whose weights of faults hold."""
    return [*_title(found, width or 100), *_under_title(found, width or 100)]


def _title(found: Diagnosis, width: int) -> list[Line]:
    return [line(text, "title") for text in _wrap(f"{found.circuit}: {found.title}", width)]


def _under_title(found: Diagnosis, width: int) -> list[Line]:
    return [line(text, "faint") for note in _facts(found) for text in _under(note, width, _GAP)]


def diagnosis_lines(found: Diagnosis, width: int | None = None, *, every: bool = False) -> list[Line]:
    """Lay a diagnosis out for a terminal.

    width: characters in a line, None for as many as it needs; every: all readings, not just those that tell something.
    """
    width = width or 100
    lines = [*_title(found, width), *_warnings(found, width), *_under_title(found, width), (), line("Suspects", "heading")]
    for k, suspect in enumerate(found.suspects[:_LISTED]):
        lines += _suspect(suspect, width, whole=k == 0 or suspect.probability >= _LITTLE)
    lines += _rest(found, _LISTED)
    lines += _doubtful(found, width)
    for suspect in found.pictured[:_TABLES]:
        lines += _compared(found, suspect, width, every=every)
    if found.seen:
        lines += [(), line("What was seen", "heading")]
        lines += [line(t) for text in found.seen for t in _wrap(text, width, _GAP)]
    lines += [(), line("What next", "heading"), *_advice(found, width)]
    lines += _tests(found, width)
    for note in (found.sensitivity, *_notes(found)):
        lines += [line(text, "faint") for text in _wrap(_sentence(note), width)]
    if found.left_out:
        left = f"Not used, of an instrument that this can't judge: {'; '.join(found.left_out)}"
        lines += [line(text, "faint") for text in _wrap(left, width)]
    return lines + diagnosis_cautions(found.cautions, width)


def diagnosis_cautions(cautions: Sequence[str], width: int | None = None) -> list[Line]:
    """Give the cautions of a circuit."""
    if not cautions:
        return []
    told = [line(t, "caution") for c in cautions for t in _wrap(f"- {c}", width or 100, _GAP)]
    return [(), line("Take care", "heading"), *told]


def diagnosis_text(found: Diagnosis, width: int | None = None, *, every: bool = False) -> str:
    """Give a diagnosis as plain text."""
    return plain(diagnosis_lines(found, width, every=every))


def diagnosis_brief(found: Diagnosis, width: int | None = None) -> list[Line]:
    """Give an answer of a dialogue, some 15 lines: suspects, why the first, the next test and what each would read there.

    Cautions stand at its end: those that were not told at the dialogue's beginning.
    """
    width = width or 100
    lines = _warnings(found, width)
    for k, suspect in enumerate(found.suspects[:_BRIEF]):
        lines += _short(suspect, width, first=k == 0)
    lines += _rest(found, _BRIEF) + _doubtful(found, width)
    lines += [line(t) for text in found.seen[-1:] for t in _wrap(text, width, _GAP)] + _advice(found, width)
    lines += _look(found, width, brief=True) if found.look_first else []
    if found.next_test:
        lines += _choice(found.next_test, width, first=True, most=_RANGES)
    lines += [] if found.look_first else _look(found, width, brief=True)
    return lines + [line(t, "caution") for c in found.cautions for t in _wrap(f"- {c}", width, _GAP)]


def _facts(found: Diagnosis) -> list[str]:
    file = found.prior.get("file", "")
    return [found.summary, found.meter, *([f"weights of faults beforehand from {file}"] if file else [])]


def _warnings(found: Diagnosis, width: int) -> list[Line]:
    """Give what is to be read before all else."""
    return [line(t, "caution") for text in found.warnings for t in _wrap(f"Mind: {text}.", width, _GAP)]


def _notes(found: Diagnosis) -> list[str]:
    return [note for note in found.notes if note not in found.warnings]


def _doubtful(found: Diagnosis, width: int) -> list[Line]:
    return [line(t, "caution") for text in found.doubtful for t in _wrap(f"Measure again: {text}", width, _GAP)]


def _advice(found: Diagnosis, width: int) -> list[Line]:
    told = filter(None, (found.verdict, found.other_repair))
    return [line(text, "shown") for one in told for text in _wrap(_sentence(one), width)]


def _wrap(text: str, width: int, indent: str = "") -> list[str]:
    """Clean text and break it, but not between a number and its unit."""
    kept = _UNIT.sub("\N{NO-BREAK SPACE}", clean(text))
    return [part.replace("\N{NO-BREAK SPACE}", " ") for part in wrap(kept, width, indent)]


def _under(text: str, width: int, indent: str) -> list[str]:
    """Break text into lines that all begin with an indent."""
    return [indent + part for part in _wrap(text, width - len(indent))]


def _percent(chance: float) -> str:
    text = f"{100 * chance:.0f}"
    return f"{'<1' if text == '0' and chance > 0 else '>99' if text == '100' else text:>3} %"


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}{'.' * bool(text)}"


# Suspects ---------------------------------------------------------------------------------------------------------


def _named(suspect: Suspect) -> str:
    leader, count = suspect.leader, len(suspect.faults)
    own = _percent(leader.probability).strip()
    if leader.fault == HEALTHY and count > 1:
        hidden = f"one of {count - 1} faults" if count > 2 else suspect.faults[1]
        return f"healthy ({own}), or {hidden} that these readings would not show"
    if suspect.unseen and count > 1:
        return f"{count} faults that nothing measured so far could show, such as {leader.fault}"
    if count < 2:
        return _likeliest(suspect)
    return f"one of {count} that can't be told apart so far; likeliest {_likeliest(suspect)} ({own})"


def _likeliest(suspect: Suspect) -> str:
    """Name the likeliest fault, or both of two at once, with severities."""
    return ", and ".join(f"{name}, about {severity}" if severity else name for name, severity in suspect.leader.parts)


def _severities(leader: Member) -> str:
    return " + ".join(severity for _, severity in leader.parts if severity)


def _headed(suspect: Suspect, width: int, named: str) -> list[Line]:
    first, *more = _wrap(named, width - len(_INDENT))
    return [line(f"{_percent(suspect.probability)}  {first}", "label"), *(line(_INDENT + text, "label") for text in more)]


def _suspect(suspect: Suspect, width: int, *, whole: bool) -> list[Line]:
    """Lay a suspect out; whole: with the faults that can't be told from it, and repairs."""
    lines, why = _headed(suspect, width, _named(suspect)), [line(t, "faint") for t in _under(suspect.why, width, _INDENT)]
    if not whole:
        return lines + why
    others = suspect.faults[1:]
    healthy = suspect.leader.fault == HEALTHY
    if others and not (healthy and len(others) == 1):  # which the first line names
        more = f", and {len(others) - _MOST} more" if len(others) > _MOST else ""
        plural = "s" if len(others) > 1 else ""
        start = "the likeliest:" if healthy else f"other{plural} of them:" if suspect.unseen else f"the other{plural}:"
        together = f"{start} {', '.join(others[:_MOST])}{more}"
        lines += [line(text) for text in _under(together, width, _INDENT)]
    return lines + why + _repairs(suspect, width, 3)


def _short(suspect: Suspect, width: int, *, first: bool) -> list[Line]:
    """Give a suspect in few lines: of the first, the reason and repairs as well."""
    count, own = len(suspect.faults), _percent(suspect.leader.probability).strip()
    together = count > 1 and not suspect.unseen and suspect.leader.fault != HEALTHY
    named = f"{_likeliest(suspect)} ({own}), or {count - 1} more not told apart so far" if together else _named(suspect)
    lines = _headed(suspect, width, named)
    if not first:
        return lines
    lines += [line(text, "faint") for text in _under(suspect.why, width, _INDENT)]
    return lines + _repairs(suspect, width, 1)


def _repairs(suspect: Suspect, width: int, most: int) -> list[Line]:
    if not suspect.cures or suspect.unseen:
        return []
    more = [f"… {len(suspect.cures) - most} more"] if len(suspect.cures) > most else []
    return [line(text) for text in _under(f"repair: {' | '.join([*suspect.cures[:most], *more])}", width, _INDENT)]


def _rest(found: Diagnosis, listed: int) -> list[Line]:
    rest = found.suspects[listed:]
    if not rest:
        return []
    return [line(f"{_percent(sum(s.probability for s in rest))}  {len(rest)} other{'s' * (len(rest) > 1)}", "faint")]


# Readings beside what a suspect predicts --------------------------------------------------------------------------


def _picture(suspect: Suspect) -> str:
    """Say whose predicted readings these are: the fault, and its chance."""
    count, chance = len(suspect.faults), _percent(suspect.probability).strip()
    which = f"likeliest of {count} that have {chance}" if count > 1 else chance
    return f"If it is {_likeliest(suspect)} ({which})"


def _compared(found: Diagnosis, suspect: Suspect, width: int, *, every: bool) -> list[Line]:
    """Give the readings beside what a suspect predicts: those that are off, and those that tell it from others."""
    kept, told = _worth(suspect, found.next_after(suspect), every=every)
    rows = [("reading", "measured", "predicted", "off by", "if good")]
    rows += [(clean(r.placed), clean(r.shown), clean(r.predicted), _off(r), clean(r.good)) for r in kept]
    sizes = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    sizes[0] = min(sizes[0], max(20, width - sum(sizes[1:]) - len(_GAP) * (len(sizes) - 1)))
    lines: list[Line] = [(), *(line(text, "heading") for text in _wrap(_picture(suspect), width))]
    for k, row in enumerate(rows):
        label = wrap(row[0], sizes[0], _GAP)
        figures = _GAP.join(pad(text, size, ">") for text, size in zip(row[1:], sizes[1:], strict=True))
        lines.append(line(f"{pad(label[0], sizes[0])}{_GAP}{figures}", "faint" if k == 0 else ""))
        lines += [line(text) for text in label[1:]]
    return lines + [line(text, "faint") for text in _wrap(told, width)]


def _worth(suspect: Suspect, other: Suspect | None, *, every: bool) -> tuple[list[Compared], str]:
    """Give the readings worth a line, in their order, and what is said of the others."""
    news, count = suspect.matter(other), len(suspect.readings)
    if every or count <= _ROWS:
        return list(suspect.readings), ""
    order = sorted(range(count), key=lambda j: (abs(suspect.readings[j].off) <= _ODD, -news[j]))
    kept = [j for n, j in enumerate(order) if n < _LEAST or (n < _ROWS and news[j] > _NEWS)]
    left = [suspect.readings[j] for j in order if j not in set(kept)]
    far = max((abs(r.off) for r in left), default=0.0)
    agree = f" agree{'s' * (len(left) == 1)}" if far <= _FITS else ""
    what = "each within 1 sd" if far <= _NEWS else f"up to {far:.1f} sd off"
    how = "--all, and --format json or markdown, give all"
    return [suspect.readings[j] for j in sorted(kept)], f"{len(left)} more{agree}, {what}: {how}"


def _off(r: Compared) -> str:
    """Say how far a reading is off; nothing of one that is no number."""
    return f"{r.off if abs(r.off) >= 0.05 else math.fabs(r.off):+.1f} sd" if r.number else ""


# The next test ----------------------------------------------------------------------------------------------------


def _choice(choice: Choice, width: int, *, first: bool, most: int | None = None) -> list[Line]:
    head = "Next test: " if first else "or: "
    work = _work(choice) if most is None else f"({choice.minutes:.2g} min)"
    text = clean(f"{head}{choice.label}, {choice.placed} {work}")
    lines = [line(t, "label" if first else "") for t in _wrap(text, width, _GAP)]
    return [*lines, *_ranges(choice, width, most)] if first else lines


def _tests(found: Diagnosis, width: int) -> list[Line]:
    """Give the tests that are proposed, those first that tell most a minute; a look at the fan is one of them."""
    tests = [(t.rate, _choice(t, width, first=t is found.next_test)) for t in (found.next_test, *found.alternatives) if t]
    look = [(found.look.rate, _look(found, width))] if found.look else []
    return [part for _, lines in sorted([*look, *tests], key=lambda one: -one[0]) for part in lines]


def _look(found: Diagnosis, width: int, *, brief: bool = False) -> list[Line]:
    """Say at which step to look at the fan: before the next test where that tells more a minute, else among the others."""
    if found.look is None:
        return []
    first, look = found.look_first, found.look
    work = f"({look.minutes:.2g} min)" if brief else _work(look)
    head = f"{'First ' if first else 'or: '}{_asked(look, work)}"
    lines = [line(t, "label" if first else "") for t in _wrap(head, width, _GAP)]
    return [*lines, *_ranges(look, width, None, "It would be seen:")] if first and not brief else lines


def _asked(look: Look, work: str) -> str:
    """Ask for a look, with what is typed of it."""
    return f"look at the fan at step {look.step} {work}, and type {', '.join(look.typed[:-1])} or {look.typed[-1]}"


def _work(choice: Choice | Look) -> str:
    """Say what a test takes and tells, and what tests are ranked by."""
    return f"({choice.minutes:.2g} min, {choice.bits:.2f} bits: {choice.rate:.2f} a minute)"


def _ranges(choice: Choice | Look, width: int, most: int | None, head: str = _WOULD_READ) -> list[Line]:
    """Lay out what a test would read: one line for all suspects that predict the same; most: lines, one for each."""
    rows = [(clean(text), clean(_names(names, most))) for text, names in choice.ranges[:most]]
    size = max(len(text) for text, _ in rows) if rows else 0
    room = max(width - size - 3 * len(_GAP), 20)
    lines = [line(text) for text in _under(head, width, _GAP)] if rows else []
    for text, names in rows:
        parts = wrap(names, room)
        lines.append(line(f"{_GAP}{_GAP}{pad(text, size)}{_GAP}{parts[0]}"))
        lines += [line(" " * (size + 3 * len(_GAP)) + part) for part in parts[1:]]
    left = len(choice.ranges) - len(rows)
    return [*lines, line(f"{_GAP}{_GAP}and {left} more", "faint")] if left else lines


def _names(names: Iterable[str], most: int | None) -> str:
    told = list(map(_would, names))
    if most is None or len(told) <= _FEW:
        return ", ".join(told)
    return f"{', '.join(told[: _FEW - 1])} and {len(told) - _FEW + 1} more"


def _would(name: str) -> str:
    """Name a suspect of a range; the chart's band of a good circuit is for any, this one is for the one at hand."""
    return "if healthy, given what you read so far" if name == HEALTHY else name


# Markdown ---------------------------------------------------------------------------------------------------------


def diagnosis_markdown(found: Diagnosis) -> str:
    """Give a diagnosis as Markdown with GitHub's tables."""
    parts = [f"# {escaped(clean(found.circuit))}: suspects"]
    parts += [f"**Mind: {escaped(clean(text))}.**" for text in found.warnings]
    parts.append(_items(_facts(found)))
    rows = [["chance", "fault", "severity", "repair"]]
    rows += [
        [_percent(s.probability).strip(), ", ".join(s.faults), _severities(s.leader), " / ".join(s.cures)]
        for s in found.suspects
    ]
    parts.append(_table(rows))
    parts.append(_items(f"{_likeliest(s)}: {s.why}" for s in found.suspects))
    if found.doubtful:
        parts.append(_items(f"Measure again: {text}" for text in found.doubtful))
    if found.seen:
        parts += ["## What was seen", _items(found.seen)]
    parts += [f"**{escaped(clean(_sentence(told)))}**" for told in (found.verdict, found.other_repair) if told]
    if notes := _notes(found):
        parts.append(_items(map(_sentence, notes)))
    if found.look and found.look_first:
        parts.append(escaped(clean(f"First {_asked(found.look, _work(found.look))}")))
        parts.append(_table([["suspect", "would be seen"], *([", ".join(map(_would, n)), x] for x, n in found.look.ranges)]))
    if found.next_test:
        t = found.next_test
        parts.append(f"Next test: {escaped(clean(f'{t.label}, {t.placed} {_work(t)}'))}")
        parts.append("What it would read, given the readings so far:")
        parts.append(_table([["suspect", "would read"], *([", ".join(map(_would, n)), x] for x, n in t.ranges)]))
    others = [(t.rate, f"or: {t.label}, {t.placed} {_work(t)}") for t in found.alternatives]
    if found.look and not found.look_first:
        others.append((found.look.rate, f"or: {_asked(found.look, _work(found.look))}"))
    if others:
        parts.append(_items(text for _, text in sorted(others, key=lambda one: -one[0])))
    for suspect in found.pictured:
        body = [[r.placed, r.shown, r.predicted, _off(r), r.good] for r in suspect.readings]
        table = _table([["reading", "measured", "predicted", "off by", "if good"], *body])
        parts += [f"## {escaped(clean(_picture(suspect)))}", table]
    if found.cautions:
        parts += ["## Take care", _items(found.cautions)]
    return "\n\n".join(parts) + "\n"


def _items(texts: Iterable[str]) -> str:
    return "\n".join(f"- {escaped(clean(text))}" for text in texts)


def _table(rows: Sequence[Sequence[str]]) -> str:
    ruled = [rows[0], ["---"] * len(rows[0]), *rows[1:]]
    return "\n".join(
        f"| {' | '.join(text if k == 1 else escaped(clean(text)) for text in row)} |" for k, row in enumerate(ruled)
    )
