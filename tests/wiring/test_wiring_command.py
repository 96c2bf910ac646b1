"""`toothwise wiring` from the command line."""

import json
import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise import cli
from toothwise.wiring import simulate

from tests.parts import need


def run(*arguments):
    return cli.main(["wiring", *arguments])


def test_design_says_parts_figures_and_limits(capsys):
    assert run("design", "hall", "--sensor-volts", "8", "--wheel", "36-1", "--top-rpm", "7000") == 0
    out = capsys.readouterr().out
    for said in ("R1", "100 kΩ", "the pin goes high when the wire rises above", "not for", "orange"):
        assert said in out


@pytest.mark.parametrize("kind", ["hall", "reluctance", "current", "feed"])
def test_design_as_json(kind, capsys):
    assert run("design", kind, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["front_end"] == kind
    assert {"threshold_rising", "threshold_falling", "shortest_interruption"} <= {f["name"] for f in told["figures"]}


@pytest.mark.parametrize(
    "arguments",
    [
        ("design", "hall", "--series-ohms", "1000"),
        ("design", "hall", "--wheel", "no such wheel"),
        ("design", "hall", "--top-rpm", "nan"),
        ("design", "hall", "--sensor-volts", "inf"),
        ("design", "hall", "--filter-us", "0"),
        ("design", "reluctance", "--peak-volts", "-1"),
        ("design", "reluctance", "--at-rpm", "nan"),
        ("design", "current", "--shunt-ohms", "0"),
        ("design", "current", "--low-ma", "nan"),
        ("design", "feed", "--low-volts", "nan"),
        ("design", "feed", "--comparator-delay-us", "nan"),
        ("design", "feed", "--series-ohms", "nan"),
        ("draw", "/no/such/folder"),
        ("simulate", "--runs", "-1"),
    ],
)
def test_refusals_are_one_line_and_exit_code_3(arguments, capsys):
    assert run(*arguments) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("toothwise: ") and err.count("\n") == 1


WISHES = st.fixed_dictionaries(
    {},
    optional={
        "--sensor-volts": st.floats(4.0, 18.0),
        "--wheel": st.sampled_from(["60-2", "36-1", "6+1", "half-moon", "120"]),
        "--top-rpm": st.floats(10.0, 32000.0),
        "--filter-us": st.floats(0.04, 1200.0),
        "--series-ohms": st.floats(9.0, 2e6),
        "--peak-volts": st.floats(0.04, 6.0),
        "--at-rpm": st.floats(1.0, 900.0),
        "--high-ma": st.floats(5.0, 60.0),
        "--shunt-ohms": st.floats(0.5, 500.0),
        "--low-volts": st.floats(1.0, 16.0),
    },
)


@given(st.sampled_from(["hall", "reluctance", "current", "feed"]), WISHES)
@settings(max_examples=15, deadline=None)
def test_any_wish_is_met_or_refused_in_one_line(kind, wishes):
    words = [word for flag, value in wishes.items() for word in (flag, str(value))]
    assert run("design", kind, "--json", *words) in (0, 3)


def test_drawing_and_netlist_are_written(tmp_path, capsys):
    pytest.importorskip("schemdraw")
    svg, cir = tmp_path / "a.svg", tmp_path / "a.cir"
    assert run("design", "feed", "--svg", str(svg), "--netlist", str(cir)) == 0
    assert svg.read_bytes().startswith(b"<?xml") and ".end" in cir.read_text()
    assert run("design", "feed", "--netlist", str(tmp_path / "none" / "a.cir")) == 3


def test_simulate_prints_the_worst_case(capsys):
    need("ngspice", simulate.available())
    assert run("simulate", "feed", "--sensor-volts", "12", "--runs", "1") == 0
    out = capsys.readouterr().out
    assert "ISO 16750-2 load dump: pin above its supply: worst" in out
    assert "0 broken" in out


def test_designing_imports_neither_drawing_nor_scipy():
    code = (
        "import sys; from toothwise import cli; cli.main(['wiring', 'design', 'hall', '--json']);"
        "bad = {'schemdraw', 'scipy', 'matplotlib', 'sqlalchemy', 'serial'} & set(sys.modules); assert not bad, bad"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=False).returncode == 0
