"""Every mistake in a circuit file gives one line: file, line, key, what was found, what is accepted, nearest name."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from circuitsim.errors import CircuitFileError, InputError, NetworkError, QuantityError, UnknownNameError
from circuitsim.library import Circuit

Read = Callable[..., Circuit]

WIRE = 'wire = "W1"'
AREA = 'area = "1.5 mm²"'

# old text, new text, class, text on the line that is named (of the bench), what the message must hold
MISTAKES: dict[str, tuple[str, str, type[InputError], str, tuple[str, ...]]] = {
    "wrong unit": (AREA, 'area = "1.5 mm"', QuantityError, WIRE, ("W1.area", "length", "expected an area")),
    "misspelt unit": (AREA, 'area = "1.5 qmm"', QuantityError, WIRE, ("W1.area", "'qmm'", "unknown unit")),
    "no unit": ('length = "2 m"', 'length = "2"', QuantityError, WIRE, ("W1.length", "has no unit", "2 m")),
    "bare number": ('length = "2 m"', "length = 2", QuantityError, WIRE, ("W1.length", "has no unit", "2 m")),
    "bare number for an area": (AREA, "area = 16", QuantityError, WIRE, ("W1.area", "16 has no unit; write e.g. '16 mm²'")),
    "bare text for an area": (AREA, 'area = "16"', QuantityError, WIRE, ("W1.area", "write e.g. '16 mm²'")),
    "bare number for a contact": (
        'part = "eyelet-m6" }',
        'part = "eyelet-m6", resistance = 50 }',
        QuantityError,
        'contact = "G1"',
        ("G1.resistance", "50 has no unit; write e.g. '50 mΩ'"),
    ),
    "bare number for a motor": (
        'resistance = "0.5 Ω ±10 %"',
        "resistance = 0.5",
        QuantityError,
        'resistance = "0.5 Ω',
        ("M1.resistance", "write e.g. '0.5 Ω'"),
    ),
    "bare number for a rating": ('"10 A"', "10", QuantityError, 'fuse = "F1"', ("F1.rating", "write e.g. '10 A'")),
    "bare number for a speed": ('"2500 rpm"', "2500", QuantityError, 'speed = "2500', ("write e.g. '2500 rpm'",)),
    "bare number in a table": ('"4 Ω ±5 %"', "4", QuantityError, 'resistor = "R1"', ("write e.g. '4 Ω'",)),
    "tolerance of more than all": (
        'length = "2 m"',
        'length = "2 m ±150 %"',
        QuantityError,
        WIRE,
        ("W1.length", "'2 m ±150 %' reaches zero or below", "length is above zero", "'×/÷ 2'"),
    ),
    "tolerance of more than all, in its unit": (
        'length = "2 m"',
        'length = "2 m ±2.5 m"',
        QuantityError,
        WIRE,
        ("W1.length", "reaches zero or below"),
    ),
    "tolerance of all, in a table": (
        '"4 Ω ±5 %"',
        '"4 Ω ±100 %"',
        QuantityError,
        'resistor = "R1"',
        ("R1.resistance", "reaches zero or below"),
    ),
    "decimal comma": ('length = "2 m"', 'length = "2,5 m"', QuantityError, WIRE, ("W1.length", "comma")),
    "not a number": ('length = "2 m"', 'length = "long"', QuantityError, WIRE, ("W1.length", "'long'")),
    "a list": ('length = "2 m"', 'length = ["2 m"]', QuantityError, WIRE, ("W1.length", "a list")),
    "tolerance without size": (
        'length = "2 m"',
        'length = "2 m ±"',
        QuantityError,
        WIRE,
        ("W1.length", "has no size"),
    ),
    "negative resistance": (
        '1 = "4 Ω ±5 %"',
        '1 = "-4 Ω"',
        QuantityError,
        'resistor = "R1"',
        ("R1.resistance", "-4 Ω", "at least 0 Ω"),
    ),
    "negative value of an element": (
        'resistance = "0.5 Ω ±10 %"',
        'resistance = "-0.5 Ω"',
        QuantityError,
        'resistance = "0.5 Ω',
        ("M1.resistance", "accepted: from 1 µΩ"),
    ),
    "missing value": (f"{AREA}, ", "", CircuitFileError, WIRE, ("W1.area", "needs area", "conductor section")),
    "missing value of an element": (
        'constant = "30 mV·s/rad"\n',
        "",
        CircuitFileError,
        "[element.M1]",
        ("M1.constant", "needs constant"),
    ),
    "missing key": ('title = "motor connector"\n', "", CircuitFileError, "[connector.X1]", ("needs the key 'title'",)),
    "missing table": ('[supply]\nbattery = "BAT"\n', "", CircuitFileError, "", ("needs the key 'supply'",)),
    "unknown key at the top": (
        'title = "bench"',
        'titel = "bench"',
        UnknownNameError,
        'title = "bench"',
        ("'titel'", "did you mean 'title'"),
    ),
    "unknown key of a run": (
        'name = "feed"\nfrom',
        'name = "feed"\nform',
        UnknownNameError,
        'from = "BAT+"',
        ("run 'feed'", "'form'", "did you mean 'from'"),
    ),
    "unknown key of an item": (
        AREA,
        'aria = "1.5 mm²"',
        UnknownNameError,
        WIRE,
        ("W1.aria", "did you mean 'area'"),
    ),
    "unknown key of an element": (
        'torque = "0.08 N·m"',
        'torq = "0.08 N·m"',
        UnknownNameError,
        'torque = "0.08',
        ("FAN1.torq", "did you mean 'torque'"),
    ),
    "unknown key of a probe": (
        'where = "behind the plug"',
        'wher = "behind the plug"',
        UnknownNameError,
        'where = "behind',
        ("probe.low.wher", "did you mean 'where'"),
    ),
    "unknown key of a reading": (
        'instrument = "voltmeter"',
        'instrumnt = "voltmeter"',
        UnknownNameError,
        'instrument = "voltmeter"',
        ("reading 'low side'", "did you mean 'instrument'"),
    ),
    "wrong type": (
        'nominal = "12 V"',
        "nominal = 12",
        CircuitFileError,
        "nominal",
        ("nominal", "12 found", "text in quotes"),
    ),
    "wrong type in a list": ('"off", "1", "2"]', '"off", 1, "2"]', CircuitFileError, "steps", ("steps", "1 found")),
    "wrong type of a note": (
        'colour = "RD" }',
        "note = 5 }",
        CircuitFileError,
        'fuse = "F1"',
        ("F1.note", "5 found", "text in quotes"),
    ),
    "no circuit name": (
        'name = "bench"',
        'name = "My Bench"',
        CircuitFileError,
        'name = "bench"',
        ("name", "small letters"),
    ),
    "wrong nominal voltage": ('nominal = "12 V"', 'nominal = "12 A"', QuantityError, "nominal", ("nominal", "voltage")),
    "unknown kind in a run": (WIRE, 'wier = "W1"', UnknownNameError, WIRE, ("run 'feed'", "did you mean 'wire'")),
    "unknown kind of an element": (
        'kind = "motor"',
        'kind = "moter"',
        UnknownNameError,
        'kind = "motor"',
        ("M1.kind", "did you mean 'motor'"),
    ),
    "no kind of an element": ('kind = "motor"\n', "", CircuitFileError, "[element.M1]", ("M1", "needs the key 'kind'")),
    "misspelt path of a run": (
        "along = [{ contact",
        "alogn = [{ contact",
        UnknownNameError,
        "along = [{ contact",
        ("run 'ground'.alogn", "unknown key 'alogn'; did you mean 'along'? accepted: name, from, to, each, along"),
    ),
    "misspelt part": (
        'part = "eyelet-m6"',
        'prat = "eyelet-m6"',
        UnknownNameError,
        "along = [{ contact",
        ("G1.prat: unknown key of contact G1 'prat'; did you mean 'part'?",),
    ),
    "text that is too long": (
        'title = "bench"',
        'title = """' + "x\n" * 2001 + '"""',
        CircuitFileError,
        'title = "bench"',
        ("title: has 4,002 characters; accepted: up to 4,000",),
    ),
    "kind that can't stand in a run": (
        WIRE,
        'axial-fan = "W1"',
        CircuitFileError,
        WIRE,
        ("a axial-fan can't stand in a run", "[element.NAME]"),
    ),
    "two kinds": (WIRE, f'{WIRE}, fuse = "F2"', CircuitFileError, WIRE, ("one item is both wire and fuse",)),
    "name that is no text": (WIRE, "wire = 5", CircuitFileError, WIRE, ("wire = 5", "name in quotes")),
    "empty item": ('{ node = "LOW" }', "{}", UnknownNameError, "node", ("run 'return'", "unknown kind of element ''")),
    "an end given in a run": (WIRE, f'a = "GND", {WIRE}', CircuitFileError, WIRE, ("W1.a", "joined at a by the run")),
    "unknown direction": (
        'walked = "part to harness"',
        'walked = "backwards"',
        UnknownNameError,
        'pin = "X1.B"',
        ("X1.B.walked", "part to harness"),
    ),
    "pin walked the wrong way": (
        ', walked = "part to harness"',
        "",
        NetworkError,
        'pin = "X1.B"',
        ("X1.B", "walked the other way"),
    ),
    "unknown part": (
        '"blade-fuse"',
        '"blade-fuze"',
        UnknownNameError,
        'fuse = "F1"',
        ("F1.part", "did you mean 'blade-fuse'"),
    ),
    "part of another kind": (
        '"blade-fuse"',
        '"crimp"',
        CircuitFileError,
        'fuse = "F1"',
        ("F1.part", "'crimp' is a contact", "F1 is a fuse"),
    ),
    "duplicate name": (WIRE, 'wire = "K1"', NetworkError, WIRE, ("duplicate name 'K1'", "line 17")),
    "name with a space": (WIRE, 'wire = "W 1"', CircuitFileError, WIRE, ("'W 1'", "without spaces")),
    "unknown colour": ('"RDBU"', '"RDXX"', UnknownNameError, WIRE, ("W1.colour", "IEC 60757", "'RDXX'")),
    "colour in small letters": ('"RDBU"', '"rd"', UnknownNameError, WIRE, ("W1.colour", "did you mean 'RD'")),
    "unknown colour of a probe": (
        'colour = "BU"',
        'colour = "blue"',
        UnknownNameError,
        'colour = "BU"',
        ("probe.low.colour", "'blue'"),
    ),
    "unknown step": (
        '2 = "0.1 Ω"',
        '3 = "0.1 Ω"',
        UnknownNameError,
        'resistor = "R1"',
        ("R1.resistance", "unknown step '3'", "off, 1, 2"),
    ),
    "missing step": (
        ', 2 = "0.1 Ω"',
        "",
        CircuitFileError,
        'resistor = "R1"',
        ("R1.resistance", "no value for step '2'"),
    ),
    "unknown state": (
        '"ignition"',
        '"ignitoin"',
        UnknownNameError,
        'switch = "K1"',
        ("K1.closed", "did you mean 'ignition'"),
    ),
    "number in quotes for a state": (
        '"ignition"',
        '"0"',
        UnknownNameError,
        'switch = "K1"',
        ("K1.closed", "unknown state '0'", "0 or 1 without quotes"),
    ),
    "table for a state": ('"ignition"', "{ off = 0 }", CircuitFileError, 'switch = "K1"', ("K1.closed", "a table found")),
    "number for a step in a state": (
        '"ignition"',
        '["off", 1]',
        CircuitFileError,
        'switch = "K1"',
        ("K1.closed", "1 found in the list", "steps in quotes"),
    ),
    "trade word for a kind": (
        'switch = "K1"',
        'relay = "K1"',
        UnknownNameError,
        'switch = "K1"',
        ("run 'feed'", "'relay'", "did you mean 'switch'"),
    ),
    "kind as a key in a run": (
        'switch = "K1"',
        'kind = "switch", name = "K1"',
        CircuitFileError,
        'switch = "K1"',
        ("run 'feed'", 'write e.g. { wire = "W1", … }'),
    ),
    "run that ends where it begins": (
        'to = "M1+"',
        'to = "BAT+"',
        NetworkError,
        'to = "M1+"',
        ("run 'feed'", "begins and ends at the same node, 'BAT+'"),
    ),
    "end of a run that is a list": ('to = "M1+"', 'to = ["M1+"]', CircuitFileError, 'to = "M1+"', ("a list found",)),
    "unknown step in a state": (
        '"ignition"',
        '["5"]',
        UnknownNameError,
        'switch = "K1"',
        ("K1.closed", "unknown step '5'"),
    ),
    "number for a state": ('"ignition"', "2", CircuitFileError, 'switch = "K1"', ("K1.closed", "2 found", "0 or 1")),
    "first step is not off": (
        '["off", "1", "2"]',
        '["1", "off", "2"]',
        CircuitFileError,
        "steps",
        ("first step is '1'", "must be 'off'"),
    ),
    "duplicate step": (
        '["off", "1", "2"]',
        '["off", "1", "2", "2"]',
        CircuitFileError,
        "steps",
        ("duplicate step '2'",),
    ),
    "step with a colon": ('["off", "1", "2"]', '["off", "1", "2", "a:b"]', CircuitFileError, "steps", ("'a:b'",)),
    "unknown motor": (
        'motor = "M1"',
        'motor = "M2"',
        UnknownNameError,
        'motor = "M1"',
        ("unknown motor 'M2'", "accepted: M1"),
    ),
    "motor that is none": ('motor = "M1"', 'motor = "W1"', UnknownNameError, 'motor = "M1"', ("unknown motor 'W1'",)),
    "unknown battery": ('battery = "BAT"', 'battery = "BATT"', UnknownNameError, "battery", ("did you mean 'BAT'",)),
    "unknown supply node": (
        'battery = "BAT"',
        'plus = "BATT+"\nbattery = "BAT"',
        UnknownNameError,
        'battery = "BAT"',
        ("supply.plus", "did you mean 'BAT+'"),
    ),
    "floating end of a run": (
        'from = "M1-"\nto = "GND"',
        'from = "M1-"\nto = "GDN"',
        NetworkError,
        'to = "GND"\nalong = [\n  { pin',
        ("run 'return'", "node 'GDN' floats", "did you mean 'GND'"),
    ),
    "floating terminal": (
        'plus = "M1+"',
        'plus = "M11+"',
        NetworkError,
        'to = "M1+"',
        ("node 'M1+' floats", "and 1 more mistake"),
    ),
    "shaft with nothing on it": (
        'speed = "2500 rpm"\nshaft = "FAN"',
        'speed = "2500 rpm"\nshaft = "FNA"',
        NetworkError,
        'shaft = "FAN"\n\n[element',
        ("M1", "node 'FAN' floats", "did you mean 'FNA'"),
    ),
    "shaft on an electrical node": (
        'speed = "2500 rpm"\nshaft = "FAN"',
        'speed = "2500 rpm"\nshaft = "LOW"',
        NetworkError,
        "[element.FAN1]",
        ("'shaft' is rotational", "node 'LOW' is electrical"),
    ),
    "node that is no text": (
        'minus = "M1-"',
        "minus = nan",
        CircuitFileError,
        'minus = "M1-"',
        ("M1.minus", "nan found"),
    ),
    "missing terminal": (
        'minus = "M1-"\n',
        "",
        NetworkError,
        "[element.M1]",
        ("M1", "no node at its terminal 'minus'"),
    ),
    "shorted source": (
        'kind = "battery"\npart = "battery-12v"\nplus = "BAT+"\nminus = "BAT-"',
        'kind = "voltage-source"\nemf = "12 V"\nplus = "BAT+"\nminus = "BAT+"',
        NetworkError,
        'from = "BAT-"',
        ("node 'BAT-' floats",),
    ),
    "two nodes in a row": (
        '{ node = "LOW" }',
        '{ node = "LOW" }, { node = "HIGH" }',
        NetworkError,
        '[[run]]\nname = "return"',
        ("no element between nodes",),
    ),
    "unknown node of a probe": (
        'node = "LOW"\n',
        'node = "LWO"\n',
        UnknownNameError,
        'node = "LOW"\n',
        ("probe.low.node", "did you mean 'LOW'"),
    ),
    "probe that renames another node": (
        "[probe.low]",
        '[probe."X1.A/part"]',
        CircuitFileError,
        "[probe.low]",
        ("already a name of node 'M1+'",),
    ),
    "unknown probe of a reading": (
        'red = "low"',
        'red = "lwo"',
        UnknownNameError,
        'red = "low"',
        ("reading 'low side'", "probe point", "did you mean 'low'"),
    ),
    "unknown instrument": (
        '"voltmeter"',
        '"voltmetre"',
        UnknownNameError,
        '"voltmeter"',
        ("reading 'low side'", "did you mean 'voltmeter'"),
    ),
    "unknown step of a reading": (
        '["1", "2"]',
        '["1", "3"]',
        UnknownNameError,
        'steps = ["1"',
        ("unknown step", "'3'"),
    ),
    "unknown word for steps": (
        'steps = ["1", "2"]',
        'steps = "al"',
        UnknownNameError,
        'steps = ["1"',
        ("did you mean 'all'",),
    ),
    "unknown connector of a reading": ('["X1"]', '["X2"]', UnknownNameError, "unplugged", ("'X2'", "accepted: X1")),
    "clamp without a place": (
        'at = "M1"\n',
        "",
        CircuitFileError,
        '[[reading]]\nlabel = "motor',
        ("a clamp needs the key 'at'",),
    ),
    "clamp on nothing": ('at = "M1"', 'at = "M7"', UnknownNameError, 'at = "M1"', ("unknown element 'M7'",)),
    "voltmeter with a place": (
        'red = "low"',
        'red = "low"\nat = "M1"',
        CircuitFileError,
        'black = "GND"',
        ("has no 'at'",),
    ),
    "voltmeter without a lead": (
        'black = "GND"\n',
        "",
        CircuitFileError,
        '[[reading]]\nlabel = "low',
        ("needs the key 'black'",),
    ),
    "connector without pins": (
        "[connector.X1]",
        '[connector.X2]\ntitle = "none"\n\n[connector.X1]',
        CircuitFileError,
        "[connector.X1]",
        ("connector.X2", "has no pins", "X2.1"),
    ),
    "pin without connector": (
        'pin = "X1.A"',
        'pin = "X7.A"',
        CircuitFileError,
        'pin = "X1.A"',
        ("X7.A", "[connector.X7]"),
    ),
    "connector that plugs nothing": (
        'plugs = "M1"',
        'plugs = "M3"',
        UnknownNameError,
        "plugs",
        ("connector.X1.plugs", "'M3'"),
    ),
    "empty run": (
        'along = [{ contact = "G1", part = "eyelet-m6" }]',
        "along = []",
        CircuitFileError,
        "along = [{",
        ("is empty",),
    ),
    "run of words": (
        'along = [{ contact = "G1", part = "eyelet-m6" }]',
        'along = ["G1"]',
        CircuitFileError,
        "along = [{",
        ("'G1' found", 'a table, such as { wire = "W1", … }'),
    ),
    "key given twice": (
        'motor = "M1"',
        'motor = "M1"\nmotor = "M1"',
        CircuitFileError,
        "\n[supply]",
        ("no TOML", "given before"),
    ),
    "table given twice": (
        "[element.FAN1]",
        "[element.M1]",
        CircuitFileError,
        "[element.FAN1]",
        ("no TOML", "element.M1 twice"),
    ),
    "sign that stands for nothing": (
        WIRE,
        'wire = "W{step}"',
        CircuitFileError,
        WIRE,
        ("'W{step}'", "stands for nothing here"),
    ),
    "node used before the run that makes it": (
        'to = "M1+"',
        'to = "R1/in"',
        NetworkError,
        'to = "M1+"',
        ("run 'feed'", "used before the run that makes it"),
    ),
    "probe point with a colon": (
        "[probe.low]",
        '[probe."a:b"]',
        CircuitFileError,
        "[probe.low]",
        ("'a:b'", "no : or ,"),
    ),
    "probe point called like another node": (
        "[probe.low]",
        '[probe."M1+"]',
        InputError,
        "[probe.low]",
        ("'M1+' is already a node",),
    ),
    "battery charge in volts": (
        'part = "battery-12v"',
        'charge = "5 V"',
        QuantityError,
        "[element.BAT]",
        ("BAT", "'5 V' is a voltage", "expected a ratio"),
    ),
    "empty list": ('["off", "1", "2"]', '["off"]', CircuitFileError, "steps = [", ("steps: has 1 entry", "2 or more")),
    "one table for a run": (
        '[[run]]\nname = "ground"',
        '[run]\nname = "ground"',
        CircuitFileError,
        '[[run]]\nname = "ground"',
        ("no TOML", "run twice", "[[run]] and [[reading]] in double brackets may repeat"),
    ),
    "open quotes": ('title = "bench"', 'title = "bench', CircuitFileError, "title", ("no TOML", "close the quotes")),
    "colon for equals": ('title = "bench"', 'title: "bench"', CircuitFileError, "title", ("a line is key = value",)),
    "quantity without quotes": (
        'nominal = "12 V"',
        "nominal = 12 V",
        CircuitFileError,
        "nominal",
        ("no TOML", "quantities stand in quotes"),
    ),
    "no TOML": ('motor = "M1"', "motor = M1", CircuitFileError, "motor =", ("no TOML", "'M1'")),
}


@pytest.mark.parametrize(("old", "new", "kind", "where", "says"), MISTAKES.values(), ids=MISTAKES)
def test_a_mistake_is_told_with_its_line(
    read: Read,
    line_of: Callable[[str], int],
    old: str,
    new: str,
    kind: type[InputError],
    where: str,
    says: tuple[str, ...],
) -> None:
    with pytest.raises(kind) as caught:
        read((old, new))
    message = str(caught.value)
    assert "\n" not in message
    for piece in says:
        assert piece in message
    assert str(caught.value.file).endswith("bench.toml")
    if where:
        assert caught.value.line == line_of(where)
        assert f"bench.toml:{line_of(where)}: " in message


def test_the_first_mistake_in_file_order_is_told_and_the_others_counted(read: Read) -> None:
    with pytest.raises(QuantityError, match=r"bench\.toml:18: W1\.area: .*\(and 2 more mistakes in this file\)"):
        read((AREA, 'area = "1 V"'), ('torque = "0.08 N·m"', 'torque = "1 V"'), ('1 = "4 Ω ±5 %"', '1 = "4 V"'))


def test_an_element_with_a_wrong_value_is_not_complained_of_twice(read: Read) -> None:
    with pytest.raises(QuantityError) as caught:
        read((AREA, 'area = "1 V"'))
    assert "more mistake" not in str(caught.value)


def test_two_wrong_shapes_are_one_message(read: Read) -> None:
    with pytest.raises(InputError, match=r"and 1 more mistake in this file"):
        read(('nominal = "12 V"', "nominal = 12"), ('title = "bench"', "title = true"))


def test_a_key_misspelt_in_every_run_is_told_at_the_first_of_them(read: Read) -> None:
    starts = ("along = [\n  { fuse", "along = [\n  { pin", "along = [{ contact")
    with pytest.raises(UnknownNameError) as caught:
        read(*((start, start.replace("along", "alogn")) for start in starts))
    told = (
        r"bench\.toml:15: run 'feed'\.alogn: unknown key 'alogn'; did you mean 'along'\? accepted: .* \(and 2 more mistakes in"
    )
    assert re.search(told, str(caught.value))


def test_no_wording_of_the_validator_comes_through(read: Read) -> None:
    texts = []
    for old, new in (
        ("along = [{ contact", 'along = ["x"]\nalogn = [{ contact'),
        ('steps = ["off", "1", "2"]', "steps = []"),
        ('nominal = "12 V"', "nominal = []"),
        ('[connector.X1]\ntitle = "motor connector"', "[connector.X1]\ntitle = 1979-05-27"),
        ("[probe.low]", "[probe]\nlow = 3\n[probe.high]"),
    ):
        with pytest.raises(InputError) as caught:
            read((old, new))
        texts.append(caught.value.message)
    assert not any(re.search(r"tuple|dict|string|valid|input|validation|item", text) for text in texts), texts


def test_thousands_of_mistakes_are_told_quickly_and_shortly(read: Read) -> None:
    lines = "\n".join(f'key{k} = "x"' for k in range(5000))
    with pytest.raises(UnknownNameError, match=r"and 4999 more mistakes") as caught:
        read(("motor = ", lines + "\nmotor = "))
    assert len(str(caught.value)) < 1000  # a screenful at most


def test_a_source_across_itself_is_a_short(read: Read) -> None:
    more = '[element.V1]\nkind = "voltage-source"\nemf = "12 V"\nplus = "LOW"\nminus = "LOW"\n'
    with pytest.raises(NetworkError, match=r"bench\.toml:\d+: V1: .*is shorted"):
        read(more="\n" + more)


@pytest.mark.parametrize(
    ("part", "says"),
    [
        ('kind = "wier"\ntitle = "x"\n', r"kind of element 'wier'; did you mean 'wire'"),
        ('kind = "wire"\n', r"part\.mine: needs the key 'title'"),
        ('kind = "wire"\ntitle = "x"\nrise = "6 m·K/W"\n', r"part\.mine\.rise: .*found; accepted: a table, such as \{ value"),
        ('kidn = "wire"\ntitle = "x"\n', r"part\.mine\.kidn: unknown key 'kidn'; did you mean 'kind'\? accepted: kind, title$"),
        (
            'kind = "wire"\ntitle = "x"\nrise = { value = "6 m·K/W", form = "assumed" }\n',
            r"part\.mine\.rise\.form: unknown key 'form'; did you mean 'from'\? accepted: value, tolerance, from$",
        ),
        (
            'kind = "wire"\ntitle = "x"\nrise = { vaule = "6 m·K/W", from = "assumed" }\n',
            r"mine\.rise\.vaule: unknown key 'vaule'; did you mean 'value'\?",
        ),
        ('kind = "wire"\ntitle = "x"\nrise = { value = "6 m·K/W" }\n', r"needs the key 'from'"),
        (
            'kind = "wire"\ntitle = "x"\nrise = { value = "6 m·K/W", from = "a guess" }\n',
            r"mine\.rise: 'from' must begin",
        ),
        ('kind = "wire"\ntitle = "x"\nrise = { from = "assumed" }\n', r"either 'value' or 'tolerance'"),
        ('kind = "wire"\ntitle = "x"\nrise = { value = "6 V", from = "assumed" }\n', r"mine\.rise: '6 V' is a voltage"),
        ('kind = "wire"\ntitle = "x"\nrice = { value = "6 V", from = "assumed" }\n', r"did you mean 'rise'"),
        ('kind = "wire"\ntitle = "x"\nrise = { tolerance = "±2 m·K/W", from = "assumed" }\n', r"must be a share"),
        ('kind = "wire"\ntitle = "x"\nlength = { tolerance = "±100 %", from = "assumed" }\n', r"mine\.length: .*zero or below"),
        ('kind = "wire"\ntitle = "x"\nlength = { value = "1 m ±2 m", from = "assumed" }\n', r"mine\.length: .*zero or below"),
        ('kind = "wire"\ntitle = "x"\nstrands = { value = "2", from = "assumed" }\n', r"out of range"),
    ],
)
def test_a_mistake_in_a_part_is_told_with_its_line(read: Read, part: str, says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        read(more="\n[part.mine]\n" + part)
    assert re.search(r"bench\.toml:\d+: ", str(caught.value))


def test_a_part_that_the_library_has_already_is_told(read: Read) -> None:
    with pytest.raises(CircuitFileError, match=r"duplicate part 'crimp'"):
        read(more='\n[part.crimp]\nkind = "contact"\ntitle = "x"\n')


def test_a_repeated_check_of_an_unchanged_bench_finds_nothing(read: Read) -> None:
    assert read().name == "bench"  # the mistakes above are in the changes, not in the bench
