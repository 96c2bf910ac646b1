"""Papers of the bench: a certificate for each sensor, a report for each lot, a label. HTML and SVG that stand alone."""

from __future__ import annotations

from html import escape
from typing import Any

from toothwise import __version__
from toothwise.bench import code128, pictures
from toothwise.bench.charts import RULES, STANDARD
from toothwise.bench.decide import WORDS, limits_of, plain
from toothwise.bench.lot import EARLIER_SENSORS, FAR, FEWEST_CHARTED, Lot, MeasureFigures, Trend
from toothwise.bench.result import PASS, REFERENCES, utc_now
from toothwise.bench.sampling import Plan
from toothwise.records import Judged, SensorResult
from toothwise.report.page import environment, image, stylesheet
from toothwise.report.tables import printed, when
from toothwise.show import words

MOST_SENSORS = 400
MOST_PICTURES = 12
MOST_MET = 6


def _page(template: str, title: str, **more: Any) -> str:
    return (
        environment("toothwise.bench")
        .get_template(template)
        .render(title=printed(title), css=stylesheet(), made=when(utc_now()), version=__version__, **more)
    )


def certificate(run: SensorResult) -> str:
    """One sensor's."""
    facts = [
        ["serial number", printed(run.serial)],
        ["lot, sensor type", f"{printed(run.lot)}; {printed(run.sensor_type)}"],
        ["tested", f"{when(run.started_utc)} to {when(run.ended_utc)}"],
        ["number of this result", run.uuid],
    ]
    made = dict(run.versions)
    limits, sha256 = made.pop("limits", ""), made.pop("limits_sha256", "")
    recordings = f"; in its book recording {', '.join(map(str, run.recordings))}" if run.recordings else ""
    how = [
        ["reference", REFERENCES.get(run.reference, run.reference)],
        ["bench", printed(run.bench) + recordings],
        ["limits", "; ".join(filter(None, [printed(limits), sha256 and f"SHA-256 {printed(sha256)}"]))],
        ["made with", ", ".join(f"{name.replace('_', ' ')} {printed(text)}" for name, text in made.items())],
    ]
    return _page(
        "certificate.html.j2",
        f"Sensor {run.serial}",
        run=run,
        facts=facts,
        rows=[_row(one) for one in run.measures],
        how=how,
        proposal=run.versions.get("limits") == "proposal",
    )


def _row(one: Judged) -> dict[str, str]:
    return {
        "what": WORDS.get(one.name, one.name),
        "stage": "" if one.stage == "bench" else one.stage,
        "value": plain(one.value, one.unit, one.uncertainty),
        "limits": limits_of(one.low, one.high, one.unit),
        "verdict": one.verdict if one.value is not None else "not measured",
    }


def lot_report(lot: Lot) -> str:
    """The whole lot."""
    telling = [one for one in lot.measures if len(one.values) >= FEWEST_CHARTED and one.quartiles[4] > one.quartiles[0]]
    drawn = telling[:MOST_PICTURES]
    return _page(
        "lot.html.j2",
        f"Lot {lot.name}",
        plain=in_words(lot),
        facts=_facts(lot),
        failures=failures(lot),
        plan=_plan(lot.plan, lot.decision) if lot.plan else [],
        plan_curve=image(pictures.operating_curve(lot.plan)) if lot.plan else "",
        table=[_measure_row(one) for one in lot.measures],
        pictures=[_picture(one) for one in drawn],
        standard=STANDARD,
        rules=[[printed(cell) for cell in row] for one in lot.measures for row in _met(one)],
        trends=[_trend(trend) for trend in lot.trends],
        courses=[
            {"name": shown(trend.key), "address": image(pictures.trend(trend.unit, trend.lots))}
            for trend in lot.trends[:MOST_PICTURES]
        ],
        sensors=[_sensor(run) for run in lot.last[:MOST_SENSORS]],
        earlier_sensors=EARLIER_SENSORS,
        more=max(len(lot.last) - MOST_SENSORS, 0),
    )


def _met(one: MeasureFigures) -> list[list[str]]:
    """The first run rules that were met: measure, rule, what it says, serial number."""
    spread = [[title(one), "1", f"{RULES[1]}, of the spread", serial] for serial in one.spread_met[:MOST_MET]]
    return [[title(one), str(rule), RULES[rule], serial] for rule, serial in one.met[:MOST_MET]] + spread


def _sensor(run: SensorResult) -> list[str]:
    return [printed(run.serial), run.verdict, "; ".join(run.reasons[:3]), when(run.ended_utc)]


def title(one: MeasureFigures) -> str:
    return shown(one.key)


def shown(key: str) -> str:
    """A measure's key in words."""
    name, _, stage = key.partition(" ")
    return WORDS.get(name, name) + (f", {stage}" if stage not in ("", "bench") else "")


def in_words(lot: Lot) -> list[str]:
    """What it comes to, in whole sentences."""
    yields = lot.yields
    low, high = yields.bounds
    out = [
        f"{words.count(yields.sensors, 'sensor')} tested: {yields.passed} passed, {yields.failed} failed,"
        f" {yields.retest} to be tested again. {yields.passed / yields.sensors:.1%} passed; of all sensors like these"
        f" between {low:.1%} and {high:.1%} would (95 % bounds, Clopper and Pearson)."
    ]
    if yields.first < yields.passed:
        out.append(f"{yields.first} passed at their first run, the others when they were tested again.")
    if lot.decision is not None:
        decision = {"accept": "The lot is accepted", "reject": "The lot is rejected", "go on": "Not decided yet"}
        out.append(f"{decision[lot.decision[0]]}: {lot.decision[1]}.")
    far = [trend for trend in lot.trends if abs(trend.far) > FAR]
    if far:
        out.append("Unlike the earlier lots: " + "; ".join(shown(trend.key) for trend in far) + ".")
    return out


def failures(lot: Lot) -> list[tuple[str, str, int]]:
    """Why sensors did not pass: measure, verdict, how many."""
    out = []
    for what, sensors in lot.failures:
        verdict, _, key = what.partition(": ")
        out.append((shown(key), verdict, sensors))
    return out


def _facts(lot: Lot) -> list[list[str]]:
    references = "; ".join(f"{REFERENCES.get(name, name)} ({n})" for name, n in lot.references.items())
    return [
        ["sensor type", ", ".join(map(printed, lot.sensor_types))],
        ["benches", ", ".join(map(printed, lot.benches))],
        ["from, to", f"{when(lot.first_utc)}, {when(lot.last_utc)}"],
        ["reference (sensors)", references],
    ]


def _plan(plan: Plan, decision: tuple[str, str] | None) -> list[list[str]]:
    rows = [
        ["plan", "single sampling by attributes, normal inspection, as in ANSI/ASQ Z1.4"],
        ["lot, level, AQL", f"{plan.lot_size:,}, {plan.level}, {plan.aql:g} %; code letter {plan.letter}"],
        ["sample, acceptance number", f"{plan.size}, {plan.accept}; a retest counts as a failure"],
    ]
    return rows + ([["decision", f"{decision[0]}: {decision[1]}"]] if decision else [])


def _measure_row(one: MeasureFigures) -> list[str]:
    found = one.capability

    def index(value: float | None, low: float | None) -> str:
        return "" if value is None else f"{value:.2f} ({low:.2f})"

    return [
        title(one),
        f"{len(one.values):,}",
        plain(one.quartiles[2], one.unit),
        ", ".join(plain(one.quartiles[place], one.unit if one.unit == "ohm" else "") for place in (0, 4)),
        limits_of(one.low, one.high, one.unit),
        index(found.cp, found.cp_low) if found else "",
        index(found.cpk, found.cpk_low) if found else "",
    ]


def _picture(one: MeasureFigures) -> dict[str, Any]:
    return {"name": title(one), "address": image(pictures.measure(one))}


def _trend(trend: Trend) -> list[str]:
    way = "higher" if trend.far > 0 else "lower"
    far = "as before" if abs(trend.far) <= FAR else f"{abs(trend.far):.1f} standard errors {way}"
    before = f"{plain(trend.before, trend.unit)} ({len(trend.lots) - 1})"
    return [shown(trend.key), plain(trend.now, trend.unit), before, far]


def label(run: SensorResult, width_mm: float = 62.0, height_mm: float = 29.0) -> str:
    """SVG in millimetres: serial number as Code 128 and in letters, type, verdict, lot, day.

    Raises Trouble for a serial number that no bar code can hold."""
    pad, small, large = 2.0, 2.6, 5.2
    type_ = escape(words.fit(words.clean(run.sensor_type), 34))
    lot = escape(words.fit(words.clean(f"lot {run.lot}   {run.ended_utc[:10]}"), 34))
    verdict = run.verdict.upper()
    box = max(14.0, 3.4 * len(verdict))
    filled = run.verdict == PASS
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_mm}mm" height="{height_mm}mm"'
        f' viewBox="0 0 {width_mm} {height_mm}" font-family="DejaVu Sans, Verdana, Arial, sans-serif" fill="#000">'
        f'<rect width="{width_mm}" height="{height_mm}" fill="#fff"/>'
        f'<text x="{pad}" y="{pad + large - 0.7}" font-size="{large}" font-weight="700">'
        f"{escape(words.fit(words.clean(run.serial), 12))}</text>"
        f'<rect x="{width_mm - pad - box}" y="{pad}" width="{box}" height="{large + 0.6}" stroke="#000"'
        f' stroke-width="0.4" fill="{"#000" if filled else "#fff"}"/>'
        f'<text x="{width_mm - pad - box / 2}" y="{pad + large - 1.1}" font-size="4" font-weight="700"'
        f' text-anchor="middle" fill="{"#fff" if filled else "#000"}">{verdict}</text>'
        f"{code128.bars(run.serial, 0.0, pad + large + 1.8, width_mm, height_mm - 18.0)}"
        f'<text x="{pad}" y="{height_mm - pad - small - 1.0}" font-size="{small}">{type_}</text>'
        f'<text x="{pad}" y="{height_mm - pad}" font-size="{small}">{lot}</text></svg>\n'
    )
