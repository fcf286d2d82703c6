"""From a sheet to lines: three layouts, of which the widest that fits is taken.

beside  label and leads, the steps, the rule, side by side;
below   label, leads and rule on lines of their own, the steps below them over the whole width;
listed  one reading a line, for many steps or a phone's width.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from circuitsim.report.sheet import Cell, Row, Section, Sheet
from circuitsim.report.typeset import Line, Span, cells, line, pad, wrap

__all__ = ["lay_out"]

_GAP = "  "
_LABEL = (24, 34)  # narrowest and widest column of labels beside the steps
_RULE = (26, 42)  # the same for the rules
_CELL = 12  # a verdict is broken to this width
_PLACE = 16  # least width of where a lead goes, beside its name
_SMALLEST = 30  # a reading with step and band


def lay_out(sheet: Sheet, width: int | None = None) -> list[Line]:
    """Give the lines of a sheet.

    Parameters
    ----------
    width
        Characters in a line; None takes what the layout 'beside' needs.
    """
    width = None if width is None else max(width, _SMALLEST)
    found = [line(text, "title") for text in wrap(sheet.title, width)]
    found += [line(text) for fact in sheet.facts for text in wrap(fact, width, _GAP)]
    sections = [s for s in (*sheet.sections, sheet.motor) if s.rows and s.steps]
    block = _Block(sections, width)
    for section in sections:
        found += [(), *block.lines(section)]
    found += [()] * bool(sheet.notes) + [line(text, "faint") for note in sheet.notes for text in wrap(note, width, _GAP)]
    found += _places(sheet.places, width)
    return found + _cautions(sheet.cautions, width)


class _Block:
    """The layout of all sections of a sheet, with the same columns in each."""

    def __init__(self, sections: Sequence[Section], width: int | None) -> None:
        self.width = width
        rows = [row for section in sections for row in section.rows]
        self.columns = _columns(sections)
        steps = sum(w + len(_GAP) for w in self.columns.values())
        named = (cells(text) for row in rows for text in (row.label, _GAP + row.leads))
        self.label = min(max(named, default=0), _LABEL[1])
        self.rule = min(max((cells(row.rule) for row in rows), default=0), _RULE[1])
        self.layout = self._beside
        if width is not None:
            rules = self.rule + len(_GAP) if self.rule else 0
            if width < min(self.label, _LABEL[0]) + steps + min(rules, _RULE[0] + len(_GAP)):
                self.layout = self._below if width >= steps else self._listed
            self._share(width - steps - len(_GAP))

    def _share(self, space: int) -> None:
        """Divide what the steps leave between labels and rules."""
        if self.label + self.rule > space and self.layout == self._beside:
            self.label = min(self.label, max(_LABEL[0], space - self.rule))
            self.rule = space - self.label

    def lines(self, section: Section) -> Iterator[Line]:
        """Give the lines of one section."""
        yield from (line(text, "heading") for text in wrap(section.heading, self.width))
        turned = _turned(section) if section.by_step and self.layout != self._beside else []
        if turned and max(cells(text) for text in turned) <= (self.width or 0):
            yield from (line(text, "step" if k == 0 else "") for k, text in enumerate(turned))
        else:
            yield from self.layout(section)

    def _beside(self, section: Section) -> Iterator[Line]:
        rules = any(row.rule for row in section.rows)
        head = [Span(pad("step", self.label), "step"), *self._heads(section)]
        yield (*head, Span(f"{_GAP}rule of thumb", "step")) if rules else tuple(head)
        for row in section.rows:
            left = [(text, "label") for text in wrap(row.label, self.label)]
            left += [(_GAP + text, "faint") for text in wrap(row.leads, self.label - len(_GAP))]
            right = wrap(row.rule, self.rule or None)
            middle = list(self._figures(section, row))
            for k in range(max(len(left), len(right), len(middle))):
                text, role = left[k] if k < len(left) else ("", "")
                figures = middle[k] if k < len(middle) else self._blank(section)
                rule = _GAP + right[k] if k < len(right) else ""
                yield (Span(pad(text, self.label), role), *figures, Span(rule, "rule"))

    def _below(self, section: Section) -> Iterator[Line]:
        heads = "".join(span.text for span in self._heads(section))
        yield line("step" + heads[len("step") :], "step")
        for row in section.rows:
            yield from _named(row, self.width)
            yield from self._figures(section, row)
            yield from _ruled(row, self.width)

    def _listed(self, section: Section) -> Iterator[Line]:
        longest = max((cells(c.shown) for row in section.rows for c in row.cells.values() if c.kind != "verdict"), default=0)
        step = max(cells(s) for s in section.steps)
        for row in section.rows:
            yield from _named(row, self.width)
            for s in section.steps:
                if s in row.cells:
                    yield from _listed_cell(pad(s, step), row.cells[s], longest, self.width)
            yield from _ruled(row, self.width)

    def _heads(self, section: Section) -> Line:
        return tuple(Span(_GAP + pad(s, self.columns[s], ">"), "step") for s in section.steps)

    def _blank(self, section: Section) -> Line:
        return tuple(Span(_GAP + " " * self.columns[s]) for s in section.steps)

    def _figures(self, section: Section, row: Row) -> Iterator[Line]:
        stacks = {s: _stack(row.cells[s], self.columns[s]) for s in section.steps if s in row.cells}
        for k in range(max((len(stack) for stack in stacks.values()), default=0)):
            spans = []
            for s in section.steps:
                stack = stacks.get(s, [])
                text, role = stack[k] if k < len(stack) else ("", "")
                spans.append(Span(_GAP + pad(text, self.columns[s], ">"), role))
            yield tuple(spans)


def _columns(sections: Iterable[Section]) -> dict[str, int]:
    """Give the width of each step's column, the same in all sections."""
    found: dict[str, int] = {}
    for section in sections:
        for s in section.steps:
            stacked = (_stack(row.cells[s], _CELL) for row in section.rows if s in row.cells)
            widest = max((cells(text) for stack in stacked for text, _ in stack), default=0)
            found[s] = max(found.get(s, 0), widest, cells(s) + len("step ") - len(_GAP))  # 'step' fits before the first
    return found


def _stack(cell: Cell, width: int) -> list[tuple[str, str]]:
    """Give the lines of a cell with their roles: what is shown, and the band below it."""
    if cell.kind == "verdict":
        return [(text, "verdict") for text in wrap(cell.shown, width)]
    role = "verdict" if cell.kind == "floats" else "band"
    return [(cell.shown, "shown"), *([(cell.band, role)] if cell.band else [])]


def _named(row: Row, width: int | None) -> Iterator[Line]:
    """Give label and leads, on one line if they fit."""
    if width is None or cells(row.label + _GAP + row.leads) <= width:
        yield (Span(row.label, "label"), Span(_GAP + row.leads, "faint"))
        return
    yield from (line(text, "label") for text in wrap(row.label, width))
    yield from (line(_GAP + text, "faint") for text in wrap(row.leads, _inner(width)))


def _ruled(row: Row, width: int | None) -> Iterator[Line]:
    text = f"rule: {row.rule}" if row.rule else ""
    yield from (line(_GAP + piece, "rule") for piece in wrap(text, _inner(width)))


def _turned(section: Section) -> list[str]:
    """Give a section with a step a line and a row a column."""
    columns = [["step", *section.steps]]
    for row in section.rows:
        shown = (row.cells.get(s, Cell("")) for s in section.steps)
        columns.append([row.label, *(" ".join(text for text in (c.shown, c.band) if text) for c in shown)])
    widths = [max(cells(text) for text in column) for column in columns]
    lines = zip(*columns, strict=True)
    return [
        _GAP.join(pad(text, w, ">" if k else "<") for k, (text, w) in enumerate(zip(row, widths, strict=True))) for row in lines
    ]


def _listed_cell(step: str, cell: Cell, longest: int, width: int | None) -> Iterator[Line]:
    first = Span(f"{_GAP}{step}{_GAP}", "step")
    if cell.kind == "verdict":
        taken = cells(first.text)
        for text in wrap(cell.shown, None if width is None else max(width - taken, 8)):
            yield (first, Span(text, "verdict"))
            first = Span(" " * taken)
        return
    role = "verdict" if cell.kind == "floats" else "band"
    yield (first, Span(pad(cell.shown, longest, ">"), "shown"), Span(f"{_GAP}{cell.band}" if cell.band else "", role))


def _places(places: Sequence[tuple[str, str, str]], width: int | None) -> list[Line]:
    if not places:
        return []
    name, colour = (max(cells(p[k]) for p in places) for k in (0, 1))
    taken = name + colour + 3 * len(_GAP)
    room = None if width is None else width - taken
    found: list[Line] = [(), line("Where the leads go", "heading")]
    for p in places:
        if not p[0] or (room is not None and room < _PLACE):
            head = f"{_GAP}{p[0]}{_GAP}{p[1]}".rstrip()
            found += [line(head, "label")] * bool(head)
            inner = None if width is None else width - 2 * len(_GAP)
            found += [line(_GAP * (2 if head else 1) + text) for text in wrap(p[2], inner)]
            continue
        texts = wrap(p[2], room) or [""]
        found.append((Span(_GAP + pad(p[0], name) + _GAP, "label"), Span(pad(p[1], colour) + _GAP + texts[0])))
        found += [line(" " * taken + text) for text in texts[1:]]
    return found


def _cautions(cautions: Sequence[str], width: int | None) -> list[Line]:
    if not cautions:
        return []
    found: list[Line] = [(), line("Take care", "heading")]
    return found + [line(text, "caution") for c in cautions for text in wrap(f"- {c}", width, _GAP)]


def _inner(width: int | None) -> int | None:
    return None if width is None else width - len(_GAP)
