"""A front end as a netlist for a SPICE simulator, with a signal source in front and every value as a parameter."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from toothwise.wiring.front import FrontEnd
from toothwise.wiring.limits import BOARD_DRAW_A, SUPPLY_BULK_F
from toothwise.wiring.models import DIODES, INPUT_DIODE
from toothwise.wiring.pulses import Pulse
from toothwise.wiring.spread import Values, nominals
from toothwise.wiring.waves import CoilWave

# Volts between the comparator's inputs that turn it fully: small beside any threshold here.
TURNS_FULLY_V = 0.4e-3
# Steps a slot. With coarse steps the comparator's feedback lets the solver turn it early: at 25 the edges of a
# weak signal came up to 100 us early, from 200 on they stand still.
STEPS_STEADY, STEPS_SWEEP = 200, 40
STEP_S = 10e-9
# Name under which a set of values may give the temperature, in °C; diodes follow it.
CELSIUS = "celsius"


@dataclass(frozen=True)
class Source:
    """What drives the inputs. lines: netlist lines that define node "sig" or the input nodes themselves.

    span_s: how long to simulate; step_s: longest time step.
    """

    lines: tuple[str, ...]
    span_s: float
    step_s: float


def signal(front: FrontEnd, points: Sequence[tuple[float, float]], step_s: float) -> Source:
    """The front end's own signal as straight pieces through (time s, value in volts), from a stiff source."""
    lines = [f"Vsig sig 0 {_pieces(points)}"]
    for node, share in front.circuit.drive.items():
        base = front.circuit.rest[node]
        lines.append(
            f"Bd{node} {node} 0 V={{p_{base}}}+{share:g}*v(sig)" if base else f"Bd{node} {node} 0 V={share:g}*v(sig)"
        )
    return Source(tuple(lines), points[-1][0], step_s)


def step(front: FrontEnd) -> Source:
    """A step up and one down between the front end's levels, far apart beside its delays."""
    low, high = front.swing
    span = 8 * max(front.figure("delay_rising").high, front.figure("delay_falling").high)
    points = [(0, low), (span, low), (span + STEP_S, high), (2 * span, high), (2 * span + STEP_S, low), (3 * span, low)]
    return signal(front, points, span / 2000)


def surge(front: FrontEnd, pulse: Pulse) -> Source:
    """A supply-line pulse, through its own source impedance, on the first input; a second input is grounded."""
    first, *others = front.circuit.drive
    lines = [f"Vsig sig 0 {_pieces(pulse.points())}", f"Rsrc sig {first} {pulse.source_ohm:g}"]
    lines += [f"Rgnd{node} {node} 0 1" for node in others]
    return Source(tuple(lines), pulse.span_s, pulse.span_s / 200)


def switched(points: Sequence[tuple[float, float]], pull_up_v: float, pull_up_ohm: float, cable_f: float) -> Source:
    """An open-collector sensor on a cable: points give 1 where the sensor pulls its wire down, else 0."""
    lines = (
        f"Vctl ctl 0 {_pieces(points)}",
        f"Vunit feed 0 {pull_up_v:g}",
        f"Runit feed line {pull_up_ohm:g}",
        f"Ccable line 0 {cable_f:g}",
        "Bopen line 0 I=v(line)*v(ctl)/50",
        "Bsig sig 0 V=v(line)",
    )
    return Source(lines, points[-1][0], points[-1][0] / 50)


def coil(wave: CoilWave, coil_ohm: float, coil_h: float) -> Source:
    """A coil that floats, with its resistance and inductance in line."""
    lines = (
        f"Vmask mask 0 {_pieces(wave.mask)}",
        f"Bsig sig 0 V=v(mask)*{wave.volts}",
        "Bcoil c1 ln V=v(sig)",
        f"Lcoil c1 c2 {coil_h:g}",
        f"Rcoil c2 lp {coil_ohm:g}",
        "Rfloat ln 0 100meg",
    )
    return Source(lines, wave.span_s, wave.fastest_s / (STEPS_STEADY if wave.steady else STEPS_SWEEP))


def netlist(front: FrontEnd, source: Source, runs: Sequence[Values], out: str = "run") -> str:
    """A batch netlist: one transient a set of values, each written to `out`<number>.raw in the current folder."""
    spice = [f"* {front.title}"]
    # Gear: the trapezoidal rule rings where the comparator's output snaps.
    spice += [".options method=gear reltol=1e-4"]
    spice += [f".param p_{name}={value:.9g}" for name, value in nominals(front.spreads).items()]
    spice += [f".model {name} {diode.spice()}" for name, diode in DIODES.items()]
    spice += _circuit(front)
    spice += source.lines
    spice += [".control", "set filetype=binary", "set noaskquit"]
    saved = ["sig", "pin", "out", "over", "3v3", *(["adc"] if _has_node(front, "adc") else [])]
    vectors = " ".join(f"v({node})" for node in saved) + " i(vplus) i(vminus)"
    for number, values in enumerate(runs):
        spice += [f"alterparam p_{name}={value:.9g}" for name, value in values.items() if name in front.spreads]
        spice += [
            "reset",
            f"option temp={values.get(CELSIUS, 27.0):.4g}",
            f"tran {source.step_s:g} {source.span_s:g} 0 {source.step_s:g}",
            f"write {out}{number}.raw {vectors}",
            "destroy all",
        ]
    return "\n".join([*spice, "quit", ".endc", ".end", ""])


def _circuit(front: FrontEnd) -> list[str]:
    lines = []
    plus, minus = front.circuit.plus, front.circuit.minus
    for e in front.circuit.elements:
        if e.kind in ("R", "C"):
            lines.append(f"{e.kind}{e.ref} {e.a} {e.b} {{p_{e.value}}}")
        elif e.kind in DIODES:
            lines.append(f"D{e.ref} {e.a} {e.b} {e.kind}")
        # "I" and "J" stand for the diodes in the computed figures; here are the diodes themselves.
    return [
        *lines,
        # The comparator: turns fully within a fraction of a millivolt; a pulse shorter than its delay dies inside.
        f"Bcmp u 0 V=tanh((v({plus})-v({minus})-{{p_offset}})/{TURNS_FULLY_V:g})",
        "Rcmp u y 1k",
        f"Ccmp y 0 {{p_delay/{1000 * math.log(2):.6f}}}",
        "Bout out 0 I=v(out)/{p_sink}*0.5*(1-tanh(v(y)*50))",
        # Its inputs' own protection, behind a meter.
        f"Vplus {plus} plus_in 0",
        f"Vminus {minus} minus_in 0",
        f".model input {INPUT_DIODE.spice()}",
        "Dp1 plus_in 3v3 input",
        "Dp2 0 plus_in input",
        "Dm1 minus_in 3v3 input",
        "Dm2 0 minus_in input",
        # The board's regulator gives current and takes none; the board draws its least.
        "Breg 0 3v3 I=max(0,({p_supply}-v(3v3))*100)",
        f"Rboard 3v3 0 {3.3 / BOARD_DRAW_A:.6g}",
        f"Cboard 3v3 0 {SUPPLY_BULK_F:g}",
        "Bover over 0 V=v(pin)-v(3v3)",
    ]


def _has_node(front: FrontEnd, node: str) -> bool:
    return any(node in (e.a, e.b) for e in front.circuit.elements)


def _pieces(points: Sequence[tuple[float, float]]) -> str:
    rows = [" ".join(f"{t:.9g} {v:.7g}" for t, v in points[i : i + 4]) for i in range(0, len(points), 4)]
    return "PWL(" + "\n+ ".join(rows) + ")"
