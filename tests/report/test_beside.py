"""The picture of healthy beside faulty: what is marked, and that nothing is cut off or overlaps."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from circuitsim.report.beside import comparison_figure, comparison_pages
from circuitsim.studies.compare import Comparison, compare


@pytest.fixture(scope="module")
def open_feed() -> Comparison:
    """No current, no voltage at the motor: as much is told apart, at as many steps, as can be."""
    return compare("tractor-cab-fan", ["X2.1:open"])


def boxes(figure: Any) -> list[tuple[str, Any]]:
    """Give what is written where, on a drawn figure."""
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw_without_rendering()
    texts = [t for axes in figure.axes for t in (axes.title, *axes.texts)] + [figure._suptitle]
    texts += [t for legend in figure.legends for t in legend.get_texts()]
    return [(t.get_text(), t.get_window_extent(renderer)) for t in texts if t.get_text()]


@pytest.mark.parametrize("probe", [(), ("at:M1",), ("MOT-:GND", "at:M1"), ("MOT-:GND", "MOT+:GND", "at:M1")], ids=len)
def test_nothing_is_cut_off_and_nothing_overlaps(open_feed: Comparison, probe: tuple[str, ...]) -> None:
    found = compare("tractor-cab-fan", ["X2.1:open"], probe=probe) if probe else open_feed
    figure = comparison_figure(found)
    written = boxes(figure)
    page = figure.bbox
    for text, box in written:
        assert page.x0 <= box.x0, text
        assert box.x1 <= page.x1, text
        assert page.y0 <= box.y0, text
        assert box.y1 <= page.y1, text
    for (one, a), (other, b) in combinations(written, 2):
        assert not a.padded(-0.5).overlaps(b.padded(-0.5)), (one, other)


def test_what_tells_apart_is_marked(open_feed: Comparison) -> None:
    """Of each place the steps at which the reading tells are shaded, with both figures; its title is bold."""
    figure = comparison_figure(open_feed)
    (current,) = [a for a in figure.axes if a.get_title().endswith("clamp on M1")]
    told = [p for p in open_feed.pairs if p.healthy.at == "M1" and p.tells]
    assert len(current.patches) == len(told) == 4
    assert [t.get_text() for t in current.texts][:2] == ["2.27", "0"]
    assert current.title.get_fontweight() == "bold"
    (command,) = [a for a in figure.axes if a.get_title() == "command\nCMD : GND"]
    assert (len(command.patches), command.title.get_fontweight()) == (0, "normal")


def test_the_legend_names_what_is_drawn(open_feed: Comparison) -> None:
    nothing = compare("tractor-cab-fan", ["X4.A:corroded=80mohm"], probe=("MOT-:GND", "at:M1"))
    assert not any(p.tells for p in nothing.pairs)
    named = [[t.get_text() for t in comparison_figure(f).legends[0].get_texts()] for f in (nothing, open_feed)]
    assert [len(texts) for texts in named] == [2, 4]
    assert named[1][-1] == "surely"


def test_every_place_is_on_a_page() -> None:
    found = compare("minibus-condenser-fan", ["X4.A:open"])
    titles = [a.get_title() for page in comparison_pages(found) for a in page.axes]
    placed = [p.healthy for p in found.pairs]
    places = {(r.instrument, r.capture, r.leads, r.unplugged, r.ignition, r.fitted) for r in placed}
    assert len(titles) == len(places) > 20
    assert len(set(titles)) == len(titles)
    assert len(comparison_figure(found).axes) == 20
