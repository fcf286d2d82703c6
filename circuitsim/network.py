"""The netlist builder: elements on named nodes, chains that read like the harness, and checks of the graph."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from itertools import pairwise
from typing import Any, TypeVar

from circuitsim.elements.base import Domain, Element
from circuitsim.elements.contacts import Pin
from circuitsim.errors import NetworkError, UnknownNameError

__all__ = ["Netlist", "collector_paused"]

E = TypeVar("E", bound=Element)
_SHORT = 1e-6  # Ω; below this two nodes are one


class Netlist:
    """A circuit as elements between named nodes.

    Parameters
    ----------
    name : str
        Shown in messages and tables.
    ground : str
        The electrical node that is 0 V.

    Examples
    --------
    >>> from circuitsim.elements import Resistor, VoltageSource
    >>> net = Netlist("bench")
    >>> net.chain("GND", VoltageSource("V1", emf="12 V"), "top", Resistor("R1", resistance="10 Ω"), "GND")
    >>> net.elements["R1"].nodes
    {'a': 'top', 'b': 'GND'}
    """

    def __init__(self, name: str, *, ground: str = "GND") -> None:
        self.name = name
        self.ground = ground
        self.elements: dict[str, Element] = {}
        self._aliases: dict[str, str] = {}
        self._named: set[str] = set()
        self._seen: dict[str, Domain] = {}  # nodes of the elements added so far, which are `_counted`
        self._counted = 0

    # Building -----------------------------------------------------------------------------------------------

    def add(self, element: E) -> E:
        """Add one element whose terminals are all placed; give it back.

        Raises NetworkError for a name that is taken, or a terminal with no node.
        """
        if not isinstance(element, Element):
            raise NetworkError(f"{self.name}: {element!r} is no element")
        if element.name in self.elements:
            raise NetworkError(f"duplicate name {element.name!r}: every element needs its own", part=element.name)
        for t in element.terminals:
            if t.name not in element.nodes:
                raise NetworkError(f"{element.kind} {element.name} has no node at its terminal {t.name!r}", part=element.name)
        self._check_domains(element)
        for node in element.nodes.values():
            if self._aliases.get(node, node) != node:
                raise NetworkError(
                    f"{element.name}: {node!r} is already another name of node {self._aliases[node]!r}",
                    part=element.name, node=node,
                )  # fmt: skip
        self.elements[element.name] = element
        self._seen.update((element.nodes[t.name], t.domain) for t in element.terminals)
        self._counted += 1
        return element

    def chain(self, *items: str | Element, backwards: Iterable[str] = ()) -> None:
        """Walk a current path: node, elements, node, … with the nodes between two elements named for them.

        Each element is joined by its two ends, in order; a name in `backwards` is walked from its second end to its
        first. A node between a mated pin and its neighbour is called `PIN/harness` or `PIN/part` (harness first
        unless walked backwards); any other one after the element before it: `W1/out`. `NAME/in` and `NAME/out`
        mean the two ends of any element as walked.

        Raises NetworkError when an end is not a node name, or an element can't stand in a chain.
        """
        reverse = set(backwards)
        if len(items) < 3 or not isinstance(items[0], str) or not isinstance(items[-1], str):
            raise NetworkError(f"{self.name}: a chain begins and ends with a node and has an element between")
        for item in items:
            if not isinstance(item, str | Element):
                raise NetworkError(f"{self.name}: {item!r} is neither a node nor an element")
        at = items[0]
        for k, item in enumerate(items[1:], start=1):
            if isinstance(item, str):
                if isinstance(items[k - 1], str) and item != items[k - 1]:
                    raise NetworkError(f"{self.name}: no element between nodes {items[k - 1]!r} and {item!r}", node=item)
                continue
            after = items[k + 1]
            end = after if isinstance(after, str) else self._between(item, after, reverse)
            self._join(item, at, end, item.name in reverse)
            at = end

    def _join(self, element: Element, start: str, end: str, backwards: bool) -> None:
        if element.ends is None:
            raise NetworkError(
                f"{element.kind} {element.name} can't stand in a chain; add it by its terminals",
                part=element.name,
            )
        first, second = reversed(element.ends) if backwards else element.ends
        element.nodes[first], element.nodes[second] = start, end
        self.add(element)
        halves = ("part", "harness") if backwards else ("harness", "part")
        words = (("in", "out"), halves) if isinstance(element, Pin) else (("in", "out"),)
        for pair in words:
            for word, node in zip(pair, (start, end), strict=True):
                self._aliases[f"{element.name}/{word}"] = node

    @staticmethod
    def _between(before: Element, after: Element, reverse: set[str]) -> str:
        """Name the node between two elements of a chain."""
        if isinstance(after, Pin):
            return f"{after.name}/{'part' if after.name in reverse else 'harness'}"
        if isinstance(before, Pin):
            return f"{before.name}/{'harness' if before.name in reverse else 'part'}"
        return f"{before.name}/out"

    def name_node(self, alias: str, node: str) -> None:
        """Give a node a second name, such as a probe point's; it may then be a loose end.

        Raises UnknownNameError for a node that is not there, NetworkError for a name that is another node's.
        """
        found = self.node(node)
        taken = alias in self.nodes() or alias in self.references() or alias in self._aliases
        if taken and self.node(alias) != found:
            raise NetworkError(f"{alias!r} is already a node", node=alias)
        self._named.add(found)
        if alias != found:
            self._aliases[alias] = found

    def _check_domains(self, element: Element) -> None:
        if self._counted != len(self.elements):  # some were put in or taken out by hand
            self._seen, self._counted = self.nodes(), len(self.elements)
        if self._clash(element, self._seen) is None:
            return
        if clash := self._clash(element, self.nodes()):
            raise clash

    def _clash(self, element: Element, known: Mapping[str, Domain]) -> NetworkError | None:
        """Give the error of a terminal whose node belongs to another domain."""
        own: dict[str, Domain] = {}
        for t in element.terminals:
            node = element.nodes[t.name]
            domain = own.setdefault(node, known.get(node) or self._reference_domain(node) or t.domain)
            if domain is not t.domain:
                return NetworkError(
                    f"{element.name}: terminal {t.name!r} is {t.domain.name.lower()}, "
                    f"but node {node!r} is {domain.name.lower()}",
                    part=element.name, node=node,
                )  # fmt: skip
        return None

    def _reference_domain(self, node: str) -> Domain | None:
        if node == self.ground:
            return Domain.ELECTRICAL
        return next((d for d in (Domain.ROTATIONAL, Domain.THERMAL) if d.reference == node), None)

    # Looking ------------------------------------------------------------------------------------------------

    def nodes(self) -> dict[str, Domain]:
        """Give every node and its domain, in order of appearance."""
        return {e.nodes[t.name]: t.domain for e in self.elements.values() for t in e.terminals}

    def references(self) -> dict[str, Domain]:
        """Give the nodes whose across value is given: ground, frame, ambient."""
        return {
            self.ground: Domain.ELECTRICAL,
            Domain.ROTATIONAL.reference: Domain.ROTATIONAL,
            Domain.THERMAL.reference: Domain.THERMAL,
        }

    def node(self, name: str) -> str:
        """Give the node that a name means: a node, `ELEMENT/in`, `PIN/part`, or `ELEMENT/terminal`.

        Raises UnknownNameError, with the nearest name, when there is none.
        """
        if name in self._aliases:
            return self._aliases[name]
        nodes = self.nodes()
        if name in nodes or name in self.references():
            return name
        element, _, terminal = name.rpartition("/")
        if element in self.elements and terminal in self.elements[element].nodes:
            return self.elements[element].nodes[terminal]
        electrical = [n for n, d in nodes.items() if d is Domain.ELECTRICAL]
        raise UnknownNameError(f"node of {self.name}", name, [*electrical, *self._aliases])

    def element(self, name: str) -> Element:
        """Give the element of that name; UnknownNameError, with the nearest name, when there is none."""
        if name not in self.elements:
            raise UnknownNameError(f"element of {self.name}", name, list(self.elements))
        return self.elements[name]

    def aliases(self) -> dict[str, str]:
        """Give every second name of a node."""
        return dict(self._aliases)

    def copy(self, without: Iterable[str] = ()) -> Netlist:
        """Give an independent copy, leaving out the elements named."""
        left = set(without)
        for name in left:
            self.element(name)
        other = Netlist(self.name, ground=self.ground)
        with collector_paused():
            other.elements = {n: e.copy() for n, e in self.elements.items() if n not in left}
        other._aliases = dict(self._aliases)
        other._named = set(self._named)
        return other

    def plain(self, element: Callable[[Element], Any]) -> dict[str, Any]:
        """Give all that it is as plain data; `element` turns each element into some."""
        return {
            "name": self.name, "ground": self.ground, "elements": [element(e) for e in self.elements.values()],
            "aliases": self._aliases, "named": sorted(self._named),
        }  # fmt: skip

    @classmethod
    def of_plain(cls, plain: Mapping[str, Any], element: Callable[[Any], Element]) -> Netlist:
        """Make a netlist of what `plain` gave, with nothing checked again."""
        net = cls(plain["name"], ground=plain["ground"])
        net.elements = {e.name: e for e in map(element, plain["elements"])}
        net._aliases, net._named = dict(plain["aliases"]), set(plain["named"])
        return net

    # The graph ----------------------------------------------------------------------------------------------

    def graph(self, without: Iterable[str] = ()) -> Any:
        """Give the electrical graph as a networkx MultiGraph; each edge's key is its element's name."""
        import networkx as nx

        graph = nx.MultiGraph()
        left = set(without)
        graph.add_node(self.ground)
        for e in self.elements.values():
            graph.add_nodes_from(e.nodes[t.name] for t in e.terminals if t.domain is Domain.ELECTRICAL)
            if e.name in left:
                continue  # its nodes stay, perhaps with nothing left on them
            graph.add_edges_from((e.nodes[a], e.nodes[b], e.name) for a, b in e.conducts)
        return graph

    def floating(self, without: Iterable[str] = ()) -> list[list[str]]:
        """Give the groups of electrical nodes with no direct-current path to ground.

        Elements left out carry none; their nodes stay, perhaps with nothing left on them.
        """
        left_out = set(without)
        near: dict[str, list[str]] = {}
        for e in self.elements.values():
            for t in e.terminals:
                if t.domain is Domain.ELECTRICAL and e.nodes[t.name] not in near:
                    near[e.nodes[t.name]] = []
            for a, b in () if e.name in left_out else e.conducts:
                near[e.nodes[a]].append(e.nodes[b])
                near[e.nodes[b]].append(e.nodes[a])
        left = set(near) - _reached(self.ground, near)
        parts = []
        while left:
            part = _reached(next(iter(left)), near)
            left -= part
            parts.append(sorted(part))
        return sorted(parts)

    def merged(self) -> dict[str, str]:
        """Give node → node it is one with, for elements whose resistance is below 1 µΩ."""
        root: dict[str, str] = {}

        def find(node: str) -> str:
            while node in root:
                if (above := root[node]) in root:
                    root[node] = root[above]  # halve the way for the next time
                node = above
            return node

        for e in self.elements.values():
            if e.shorts_below and e.ends and e.values[e.shorts_below] < _SHORT:
                a, b = find(e.nodes[e.ends[0]]), find(e.nodes[e.ends[1]])
                if a != b:
                    gone, kept = (a, b) if b == self.ground else (b, a)
                    root[gone] = kept
        return {node: find(node) for node in root}

    def check(self) -> None:
        """Raise NetworkError for what can't be right: nothing in it, no ground, floating or loose nodes, a short."""
        if not self.elements:
            raise NetworkError(f"{self.name} has no elements")
        electrical = {n for n, d in self.nodes().items() if d is Domain.ELECTRICAL}
        if electrical and self.ground not in electrical:
            raise NetworkError(
                f"{self.name}: nothing returns to ground; no element has a terminal at {self.ground!r}",
                node=self.ground,
            )
        with collector_paused():
            groups = self.floating()
        for group in groups:
            parts = [e.name for e in self.elements.values() if set(e.nodes.values()) & set(group)]
            raise NetworkError(
                f"{self.name}: node {group[0]!r} floats: no path to ground from {', '.join(parts[:4])}",
                node=group[0], part=parts[0],
            )  # fmt: skip
        self._check_loose()
        self._check_shorts()
        self._check_pinned()

    def _check_loose(self) -> None:
        counts: dict[str, int] = {}
        for _, node in self._places(Domain.ELECTRICAL):
            counts[node] = counts.get(node, 0) + 1
        for element, node in self._places(Domain.ELECTRICAL):
            if counts[node] == 1 and node != self.ground and node not in self._named and element.ends is not None:
                raise NetworkError(
                    f"{self.name}: node {node!r} is a loose end; only {element.name} reaches it",
                    part=element.name, node=node,
                )  # fmt: skip

    def _check_shorts(self) -> None:
        merged = self.merged()
        for e in self.elements.values():
            if "emf" in e.values and e.ends and not e.values.get("resistance"):
                a, b = (merged.get(e.nodes[t], e.nodes[t]) for t in e.ends)
                if a == b and e.values["emf"]:
                    raise NetworkError(
                        f"{self.name}: {e.name}, an ideal source, is shorted at node {a!r}",
                        part=e.name,
                        node=a,
                    )

    def _check_pinned(self) -> None:
        """A shaft or a body that nothing turns or cools has no steady state."""
        for domain in (Domain.ROTATIONAL, Domain.THERMAL):
            lonely: dict[str, list[Element]] = {}
            for element, node in self._places(domain):
                lonely.setdefault(node, []).append(element)
            for node, users in lonely.items():
                if domain is Domain.THERMAL and all(e.kind == "thermal-cutout" for e in users):
                    raise NetworkError(f"{self.name}: nothing warms or cools node {node!r} of {users[0].name}", node=node)

    def _places(self, domain: Domain) -> Iterator[tuple[Element, str]]:
        for e in self.elements.values():
            for t in e.terminals:
                if t.domain is domain:
                    yield e, e.nodes[t.name]

    def path(self, start: str, end: str, without: Iterable[str] = ()) -> list[str]:
        """Give the elements from node to node in order, along the fewest elements; `without`: elements it may not pass.

        Raises NetworkError when no path conducts.
        """
        import networkx as nx

        graph = self.graph(without)
        start, end = self.node(start), self.node(end)
        try:
            nodes = nx.shortest_path(graph, start, end)
        except (nx.NetworkXNoPath, nx.NodeNotFound):
            raise NetworkError(f"{self.name}: no path conducts from {start!r} to {end!r}", node=start) from None
        return [sorted(graph[a][b])[0] for a, b in pairwise(nodes)]

    def single_points(self, start: str, end: str) -> list[str]:
        """Give the elements of the path whose loss alone cuts `start` from `end` (single points of failure)."""
        import networkx as nx

        start, end = self.node(start), self.node(end)
        return [name for name in self.path(start, end) if not nx.has_path(self.graph(without=[name]), start, end)]


@contextmanager
def collector_paused() -> Iterator[None]:
    """Pause the search for garbage while many objects are made and none are lost: it would look through all again and again."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def _reached(start: str, near: Mapping[str, Iterable[str]]) -> set[str]:
    """Give the nodes that can be reached from one, itself among them."""
    found, todo = {start}, [start]
    while todo:
        for node in near.get(todo.pop(), ()):
            if node not in found:
                found.add(node)
                todo.append(node)
    return found
