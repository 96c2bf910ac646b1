"""One self-contained HTML file: the template filled, every picture inside, nothing fetched and nothing run."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from toothwise import __version__
from toothwise.report import plain, tables
from toothwise.report.plots.cam import cam
from toothwise.report.plots.cylinders import cylinders
from toothwise.report.plots.places import places
from toothwise.report.plots.raster import SHORT_IN, raster
from toothwise.report.plots.speed import speed
from toothwise.report.plots.wheel import wheel
from toothwise.show import wiggle as wiggle_words
from toothwise.show import words
from toothwise.show.compare import only_in, rows_of
from toothwise.show.selfcheck import report_lines

MOST_CAUSES = 4
"""Told in full; the others that are still possible by name."""
_MOST_PRINTED = tables.MOST_TEXT + 100
"""Of any text at all; what is cut already, with its words around it, is not cut twice."""
FIRST = (
    "What toothwise finds is evidence, not a verdict. The maker's service information, local rules and licensed"
    " practice come first."
)


def page(told: Mapping[str, Any]) -> str:
    """The whole report.

    told: the object that `toothwise report --json` prints: title, job, codes, readings, recordings (each with its
    result and, for a wiggle test, what that came to), plan, earlier, rig_check. Text from outside may hold anything.
    """
    return (
        environment("toothwise.report")
        .get_template("report.html.j2")
        .render(
            told=told,
            title=tables.printed(told["title"], tables.MOST_NAME),
            css=stylesheet(),
            made=tables.when(told["made_utc"]),
            version=__version__,
            what_it_is=plain.intro(told["recordings"][0]),
            recordings=[_recording(told, recording, whole=n == 0) for n, recording in enumerate(told["recordings"])],
            done=tables.done(told["recordings"]),
            tables=tables,
            cautions=[FIRST, *told["cautions"]],
            checked=report_lines(told["rig_check"]["report"]) if told["rig_check"] else [],
            earlier=[[words.clean(cell) for cell in row] for row in rows_of(told["earlier"])]
            if told["earlier"]
            else [],
            only_in=only_in(told["earlier"]) if told["earlier"] else [],
            earlier_wiggle=_earlier_wiggle(told["earlier_wiggle"]),
            has_errors=_has_errors,
        )
    )


def _earlier_wiggle(told: Mapping[str, Any] | None) -> dict[str, Any] | None:
    if told is None:
        return None
    return {
        "number": told["a"],
        "rows": wiggle_words.compared_rows(told["rows"]),
        "says": [row["says"] for row in told["rows"]],
    }


def environment(package: str) -> Environment:
    """Templates of a package: escaped, harmless, and strict about what they name."""
    return Environment(
        loader=PackageLoader(package), autoescape=True, finalize=_harmless, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip


def stylesheet() -> Markup:
    """The one for every sheet that prints; ours, not from outside."""
    css = files("toothwise.report").joinpath("templates", "report.css").read_text(encoding="utf-8")
    return Markup(css)


def _harmless(value: object) -> object:
    """Whatever the template prints: text without letters that steer, and not endless. Escaping comes after."""
    return tables.printed(value, _MOST_PRINTED) if isinstance(value, str) and not isinstance(value, Markup) else value


def _recording(told: Mapping[str, Any], recording: Mapping[str, Any], *, whole: bool) -> dict[str, Any]:
    """What the template needs of one recording. whole: it is told in full, as the newest is."""
    result, wiggle = recording.get("result"), recording.get("wiggle")
    return {
        **recording,
        "plain": plain.summary(recording),
        "facts": [*tables.watched(wiggle), *(tables.facts(result) if result else [])],
        "verdicts": _verdicts(result, wiggle),
        "also_possible": [c["text"] for c in tables.causes(result)[MOST_CAUSES:]] if result else [],
        "contradicted": tables.named(result, "contradicted") if result else [],
        "not_tested": tables.not_tested(told, recording),
        "places": tables.places(recording["marks"]),
        "origin": tables.origin(recording, told["version"]),
        "whole": whole,
        "pictures": _pictures(told, recording, whole=whole),
        "limits": [line for line in wiggle_words.limits(wiggle) if line] if wiggle else [],
    }


def _verdicts(result: Mapping[str, Any] | None, wiggle: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """Places that let go, then causes, each with what speaks for and against it."""
    out: list[dict[str, Any]] = []
    for place in wiggle["places"] if wiggle else ():
        if place["stands"] in ("confirmed", "suspect"):
            rows = [("", text) for text in wiggle_words.why(place, wiggle or {})]
            name = tables.printed(place["place"], tables.MOST_NAME)
            alarm = place["stands"] == "confirmed"
            out.append({"name": name, "stands": place["stands"], "rows": rows, "alarm": alarm})
    for cause in tables.causes(result)[:MOST_CAUSES] if result else ():
        rows = [("for", text) for text in cause["for"]] + [("against", text) for text in cause["against"]]
        rows += [("next", cause["next"])] if cause.get("next") else []
        name = words.clean(cause.get("text") or cause["cause"])
        name = name[:1].upper() + name[1:]
        alarm = cause["stands"] == "supported" and cause.get("fault", True)
        out.append({"name": name, "stands": cause["stands"], "rows": rows, "alarm": alarm})
    return out


def _has_errors(result: Mapping[str, Any]) -> bool:
    return any(measure["name"] == "tooth_error" for measure in result["measures"])


def _pictures(told: Mapping[str, Any], recording: Mapping[str, Any], *, whole: bool) -> dict[str, Markup | None]:
    """Each picture as an image that stands by itself: no script in it could run."""
    result, wiggle = recording.get("result"), recording.get("wiggle")
    drawn: dict[str, str | None] = {"places": places(wiggle) if wiggle else None}
    if result and not whole:
        drawn["raster"] = raster(result, most_in=SHORT_IN)
    elif result:
        reference = ((told["job"] or {}).get("reference") or {}).get("cam_edges_deg", [])
        drawn |= {
            "raster": raster(result),
            "wheel": wheel(result),
            "speed": speed(result, recording["marks"]),
            "cam": cam(result, reference),
            "cylinders": cylinders(result),
        }
    return {name: None if svg is None else image(svg) for name, svg in drawn.items()}


def image(svg: str) -> Markup:
    """An SVG picture as an address for an <img>: it stands by itself, no script in it could run."""
    return Markup("data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode("ascii"))
