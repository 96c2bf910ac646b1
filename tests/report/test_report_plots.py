"""The pictures show what the object says: each fault in its cell, at its angle, at its time; and nothing else."""

from __future__ import annotations

import base64
import io
import re
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image
from toothwise.examine import examine
from toothwise.report.plots import cam, cylinders, paper, places, raster, speed, wheel

from tests.examine.signals import held, turning
from tests.report.stories import HARM, W60, angles_of, stripe

SVG = "{http://www.w3.org/2000/svg}"
LINK = "{http://www.w3.org/1999/xlink}href"


@pytest.fixture(scope="module")
def result() -> dict[str, Any]:
    return examine(stripe(), W60).as_json()


def parsed(svg: str | None) -> ElementTree.Element:
    assert svg is not None
    return ElementTree.fromstring(svg)


def texts(picture: ElementTree.Element) -> list[str]:
    return ["".join(node.itertext()).strip() for node in picture.iter(f"{SVG}text")]


def filled(picture: ElementTree.Element, colour: str) -> list[np.ndarray]:
    """Corners of every shape filled with a colour; y upwards."""
    shapes = []
    for path in picture.iter(f"{SVG}path"):
        if f"fill: {colour}" in path.get("style", ""):
            numbers = re.findall(r"-?\d+(?:\.\d+)?", path.get("d", ""))
            shapes.append(np.array(numbers, float).reshape(-1, 2) * [1, -1])
    return shapes


def test_the_raster_has_each_fault_in_its_cell(result: dict[str, Any]) -> None:
    picture = parsed(raster.raster(result))
    image = next(picture.iter(f"{SVG}image"))
    pixels = np.array(Image.open(io.BytesIO(base64.b64decode(image.get(LINK, "").partition(",")[2]))).convert("RGB"))
    if "scale(1 -1)" in (image.get("transform") or ""):
        pixels = pixels[::-1]
    dark = np.array([int(paper.MISSING[i : i + 2], 16) for i in (1, 3, 5)])
    missing = (pixels == dark).all(axis=2)
    assert missing[:, 21].sum() >= 38 and missing.any(axis=0).sum() == 1, "tooth 22 and no other"
    blue = np.array([int(paper.EXTRA[i : i + 2], 16) for i in (1, 3, 5)])
    extra = np.argwhere((pixels == blue).all(axis=2)).tolist()
    assert extra == [[5, 39], [31, 40]], "revolution 5 and 31, teeth 40 and 41"
    white = (pixels == 255).all(axis=2)
    assert pixels.shape[1] == 58 or white[:, 58:].all(), "nothing stands in the gap"


def test_the_wheel_has_each_fault_at_its_angle_and_the_teeth_run_against_the_turning(result: dict[str, Any]) -> None:
    picture = parsed(wheel.wheel(result))
    centre = np.array([1, -1]) * float(picture.get("viewBox", "").split()[2]) / 2
    bars = filled(picture, paper.MISSING)
    assert len(bars) == 1
    assert angles_of(bars[0] - centre).mean() == pytest.approx(21 * 6.0, abs=0.5)
    for shape, tooth in zip(filled(picture, paper.FILL), [n for n in range(1, 59) if n != 22], strict=True):
        offset = (angles_of(shape - centre) - (tooth - 1) * 6.0 + 180.0) % 360.0 - 180.0
        assert abs(offset.mean()) < 0.3
    assert {"1", "22", "turns"} <= set(texts(picture))


def test_errors_are_drawn_outwards_when_late_and_never_larger_than_their_doubt(result: dict[str, Any]) -> None:
    def ring(value: float, doubt: float) -> tuple[float, str]:
        one = {"name": "tooth_error", "value": value, "unit": "deg", "uncertainty": doubt, "tooth": 10}
        picture = parsed(wheel.wheel({**result, "by_tooth": [], "measures": [one]}))
        half = float(picture.get("viewBox", "").split()[2]) / 2
        shapes = filled(picture, paper.INK) or filled(picture, paper.RULE)
        radii = np.hypot(*(shapes[0] - np.array([half, -half])).T) / half * wheel._REACH
        far = radii[np.argmax(abs(radii - wheel._ERROR_AT))]
        return far - wheel._ERROR_AT, next(text for text in texts(picture) if text.endswith("°"))

    assert ring(0.4, 0.01) == (pytest.approx(wheel._ERROR_LONG, abs=0.005), "0.400°")
    assert ring(-0.4, 0.01)[0] == pytest.approx(-wheel._ERROR_LONG, abs=0.005)
    assert ring(1e-6, 0.05) == (pytest.approx(0.0, abs=0.005), "0.100°")


def test_speed_has_a_row_for_each_kind_that_was_found(result: dict[str, Any]) -> None:
    told = texts(parsed(speed.speed(result, [(0.5, "plug"), (1.0, "clip")])))
    assert {"missing", "extra", "blind", "rpm", "1", "2"} <= set(told)
    assert "silent" not in told and "feed low" not in told
    crank, end = turning(W60, 1000, 20)
    healthy = texts(parsed(speed.speed(examine(held(end, crank=crank), W60).as_json())))
    assert "missing" not in healthy and "rpm" in healthy


def test_the_cam_map_has_every_edge_and_the_reference(result: dict[str, Any]) -> None:
    edges = [{"name": "cam_edge", "value": 40.0 + 90 * n, "unit": "deg", "uncertainty": 0.1, "edge": n + 1,
              "level": 1 - n % 2} for n in range(4)]  # fmt: skip
    told = {**result, "measures": edges}
    assert {"1", "2", "3", "4", "crank teeth", "cam"} <= set(texts(parsed(cam.cam(told))))
    assert "known good" in texts(parsed(cam.cam(told, [40.0, 130.0])))
    assert cam.cam({**result, "measures": []}) is None


def test_cylinders_are_named_as_far_as_they_are_known(result: dict[str, Any]) -> None:
    def work(**about: Any) -> dict[str, Any]:
        return {"name": "cylinder_work", "value": -0.2, "unit": "of the mean", "uncertainty": 0.01, **about}

    rows = [work(slot=1, cylinder=3), work(slot=2, pair=[2, 4]), work(slot=3)]
    told = " ".join(texts(parsed(cylinders.cylinders({**result, "measures": rows}))))
    assert "cyl 3" in told and "(2/4)" in told and "no. 3" in told and "misfires" not in told
    assert cylinders.cylinders({**result, "measures": []}) is None


def place(name: str, events: int = 0, stands: str = "quiet") -> dict[str, Any]:
    classes = {"under_1us": 0, "1us": 0, "10us": events, "100us": 0, "1ms": events, "10ms": 0}
    return {"place": name, "stands": stands, "classes": classes, "wiggles": 3, "wiggles_with_events": min(events, 3)}


def test_places_are_drawn_whatever_they_are_called() -> None:
    names = [*HARM, "", "W" * 10_000]
    told = {"hands_off": place("hands off"), "places": [place(name, 3, "confirmed") for name in names]}
    picture = parsed(places.places(told))
    said = texts(picture)
    assert "confirmed; 3 of 3 wiggles" in said and "10 µs and up" in said and "100 µs and up" not in said
    assert not list(picture.iter(f"{SVG}script")) and not list(picture.iter("script"))
    assert max(map(len, said)) < 60


def test_what_was_not_followed_is_not_drawn(result: dict[str, Any]) -> None:
    bare = {**result, "course": None, "wheel": {"name": None, "slots": None, "gaps": []}, "measures": []}
    assert raster.raster(bare) is None and speed.speed(bare) is None and wheel.wheel(bare) is None


@pytest.mark.parametrize("name", ["24-wide-narrow", "half-moon", "36-2-2-2", "3", "12+1"])
def test_every_kind_of_wheel_can_be_drawn(name: str) -> None:
    from toothwise.wheel import catalogue

    one = catalogue.wheel(name)
    crank, end = turning(one, 900, 12)
    told = examine(held(end, crank=crank), one).as_json()
    parsed(wheel.wheel(told))
    parsed(raster.raster(told))
