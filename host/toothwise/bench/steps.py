"""What is done with a sensor, one step after another, made from its limits."""

from __future__ import annotations

from dataclasses import dataclass

from toothwise.bench.decide import WORDS, limits_of
from toothwise.bench.limits import Limit, Limits

SERIAL, READING, CONFIRM, SWEEP, COUNT = "serial", "reading", "confirm", "sweep", "count"


@dataclass(frozen=True, slots=True)
class Step:
    """kind: one of the above. title: in few words; prompt: what to do. stage: whose limits are meant. rpm: to turn at,
    0 where it does not turn. limit: what to read from the meter."""

    kind: str
    title: str
    prompt: str
    stage: str = "bench"
    rpm: float = 0.0
    limit: Limit | None = None


def steps(limits: Limits, *, driven: bool) -> list[Step]:
    """All of them, the serial number first."""
    sequence = limits.sequence
    low, high = sequence.sweep_rpm
    out = [Step(SERIAL, "next sensor", "Type or scan its serial number, then Enter.")]
    out += _readings(limits, "bench")
    gap = f" at an air gap of {sequence.air_gaps_mm[0]:g} mm" if sequence.air_gaps_mm else ""
    out.append(Step(CONFIRM, "place it", f"Place it{gap}, clip it on, close the guard. Enter when ready."))
    if "lowest_full_count" in limits.measures:
        out.append(_sweep(low, high, driven))
    for rpm in sequence.dwell_rpm:
        prompt = f"Counting at {rpm:.0f} rpm." if driven else f"Hold it at {rpm:.0f} rpm."
        out.append(Step(COUNT, f"{rpm:.0f} rpm", prompt, f"dwell {rpm:.0f} rpm", rpm))
    last = sequence.dwell_rpm[-1]
    for gap_mm in sequence.air_gaps_mm[1:]:
        out.append(
            Step(CONFIRM, f"gap {gap_mm:g} mm", f"Let it stop. Set the air gap to {gap_mm:g} mm. Enter when set.")
        )
        out.append(Step(COUNT, f"gap {gap_mm:g} mm", f"Counting at {last:.0f} rpm.", f"gap {gap_mm:g} mm", last))
    for stage, celsius in (("hot", sequence.hot_c), ("cold", sequence.cold_c)):
        if celsius is not None:
            how = "Heat" if stage == "hot" else "Cool"
            prompt = f"{how} it to {celsius:g} °C and let it soak for some minutes. Enter when it is there."
            out.append(Step(CONFIRM, stage, prompt, stage))
            out += _readings(limits, stage)
            out.append(Step(COUNT, stage, f"Counting at {last:.0f} rpm.", stage, last))
    if sequence.flex:
        prompt = "Bend and pull the cable along its length: ±45 degrees, no more than 20 N. Keep off the wheel."
        out.append(Step(COUNT, "cable flex", prompt, "flex", last))
    return out


def _sweep(low: float, high: float, driven: bool) -> Step:
    by_hand = f"Turn slower than {low:.0f} rpm for three turns, then ever faster, to {high:.0f} rpm and beyond."
    by_motor = f"Spinning up from {low:.0f} to {high:.0f} rpm."
    return Step(SWEEP, "sweep", by_motor if driven else by_hand, "sweep", high)


def _readings(limits: Limits, stage: str) -> list[Step]:
    out = []
    for limit in limits.typed:
        if stage == "bench" or stage in limit.by_stage:
            unit = f" in {limit.unit}" if limit.unit else ""
            wanted = limits_of(*limit.at(stage), limit.unit)
            prompt = f"Measure it and type it{unit}, then Enter ({wanted}). Enter alone leaves it out."
            out.append(Step(READING, WORDS[limit.name], prompt, stage, limit=limit))
    return out
