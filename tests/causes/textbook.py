"""One hand-made textbook case a cause: what a recording and a meter would show if the books are right."""

from __future__ import annotations

from typing import Any

from toothwise.causes.findings import Findings, from_json
from toothwise.causes.job import from_dict

TURNS = 1500


def report(
    *,
    events: list[dict[str, Any]] | None = None,
    measures: list[dict[str, Any]] | None = None,
    channels: dict[str, int] | None = None,
    wheel: str = "60-2",
    identified: bool = True,
    turns: int = TURNS,
    speed: tuple[float, float, float] = (780.0, 800.0, 820.0),
    places: dict[str, str] | None = None,
) -> dict[str, Any]:
    """What `examine --json` would print."""
    return {
        "schema": 1,
        "channels": {
            name: {"edges": n, "tick_ns": 16.0, "span_s": 110.0}
            for name, n in (channels or {"crank": 116 * turns}).items()
        },
        "wheel": {"name": wheel or None, "slots": 60, "gaps": [[59, 60]], "identified": identified},
        "revolutions": turns,
        "speed_rpm": dict(zip(("min", "median", "max"), speed, strict=True)),
        "teeth": {"expected": 58 * turns, "seen": 58 * turns, "missing": 0, "extra": 0},
        "events": [
            {"channel": "crank", "t_s": 1.0, "duration_s": 0.001, "revolution": 5, "tooth": 3, "angle_deg": 12.0,
             "count": 1, "level": 0, **event}
            for event in events or []
        ],
        "measures": [{"unit": "", "uncertainty": None, **m} for m in measures or []],
        "blind_s": 0.0,
        "places": [{"place": place, "stands": stands} for place, stands in (places or {}).items()],
    }  # fmt: skip


def missing(n: int, tooth: int | None = None, level: int = 0, **more: Any) -> list[dict[str, Any]]:
    """n absent teeth, at one tooth or spread."""
    return [
        {"kind": "missing", "t_s": 1.0 + 7 * i, "tooth": tooth or (17 * i * i + 5 * i) % 58 + 1, "revolution": 9 * i,
         "level": level, **more}
        for i in range(n)
    ]  # fmt: skip


def extra(n: int) -> list[dict[str, Any]]:
    return [{"kind": "extra", "t_s": 2.0 + i, "tooth": (31 * i) % 58 + 1, "count": 2} for i in range(n)]


def silence(level: int, channel: str = "crank", seconds: float = 40.0) -> list[dict[str, Any]]:
    return [{"kind": "silent", "channel": channel, "t_s": 3.0, "duration_s": seconds, "level": level, "count": 900}]


HALL = {"kind": "hall", "wheel": "60-2"}
COIL = {"kind": "variable_reluctance", "wheel": "60-2"}
GOOD = {"feed_v": 5.0, "ground_drop_v": 0.02}
WORK = [{"name": "cylinder_work", "value": 0.0, "slot": s, "weak": False, "told": True} for s in (1, 2, 3, 4)]
NO_MISFIRE = [{"name": "misfire_rate", "value": 0.0, "uncertainty": 0.002, "slot": s} for s in (1, 2, 3, 4)]
EVEN = [{"name": "relative_compression", "value": 98.0, "uncertainty": 1.0, "slot": s} for s in (1, 2, 3, 4)]
CAM = {"crank": 116 * TURNS, "cam": 8 * TURNS}


def of(job: dict[str, Any], **seen: Any) -> Findings:
    return from_json(report(**seen), from_dict(job))


CASES: dict[str, Findings] = {
    "sensor": of(
        {"codes": ["P0335"], "sensor": COIL, "readings": {"resistance_ohm": float("inf"), "wire_ohm": 0.3}},
        events=silence(0),
    ),
    "signal_open": of(
        {"codes": ["P0335"], "sensor": HALL,
         "readings": {**GOOD, "signal_low_v": 4.9, "signal_high_v": 4.9, "unplugged_v": 0.0, "wire_ohm": float("inf")}},
        events=silence(1),
    ),
    "signal_short_ground": of(
        {"codes": ["P0337"], "sensor": HALL,
         "readings": {**GOOD, "signal_low_v": 0.0, "signal_high_v": 0.0, "unplugged_v": 0.0, "wire_ohm": 0.4}},
        events=silence(0),
    ),
    "signal_short_feed": of(
        {"codes": ["P0338"], "sensor": HALL,
         "readings": {"feed_v": 12.4, "signal_low_v": 12.3, "signal_high_v": 12.3, "unplugged_v": 12.3,
                      "wire_ohm": 0.4}},
        events=silence(1),
    ),
    "feed_or_ground": of(
        {"sensor": HALL, "complaint": ["stall"]},
        channels={"crank": 116 * TURNS, "feed": 20},
        events=[e for i in range(5) for e in (
            {"kind": "silent", "t_s": 5.0 * i, "duration_s": 0.2, "level": 0, "count": 90},
            {"kind": "feed_low", "channel": "feed", "t_s": 5.0 * i, "duration_s": 0.2})],
    ),
    "intermittent_wiring": of(
        {"sensor": HALL, "complaint": ["stall"], "codes": ["P0339"]},
        events=[*missing(9, level=1), *extra(12)],
        places={"plug": "confirmed", "bulkhead": "quiet"},
    ),
    "weak_signal": of(
        {"sensor": COIL, "complaint": ["hard start"], "readings": {"resistance_ohm": 800.0, "cranking_ac_v": 0.2}},
        events=missing(40), speed=(150.0, 600.0, 2000.0),
        measures=[{"name": "lowest_full_count", "value": 310.0}],
    ),
    "reversed_polarity": of(
        {"sensor": COIL, "codes": ["P0336"]}, measures=[{"name": "polarity", "value": -1.0}],
    ),
    "wheel_tooth": of(
        {"sensor": HALL, "codes": ["P0336"]}, events=missing(400, tooth=17),
        measures=[{"name": "stripe_p", "value": 1e-40, "kind": "missing"}],
    ),
    "wheel_runout": of(
        {"sensor": HALL, "complaint": ["rough idle"]},
        measures=[{"name": "runout_1", "value": 0.6, "uncertainty": 0.02}],
    ),
    "wheel_slip": of(
        {"sensor": HALL, "codes": ["P0016"]}, channels=CAM,
        measures=[{"name": "cam_step", "value": 6.2, "times": 3}, {"name": "cam_swing", "value": 0.5}],
    ),
    "wrong_wheel": of({"sensor": HALL, "codes": ["P0336"]}, wheel="36-1"),
    "interference": of(
        {"sensor": COIL, "complaint": ["rough idle"]}, events=extra(60),
        measures=[{"name": "extra_order", "value": 2.0, "source": "ignition"}],
    ),
    "cam_sensor": of({"sensor": HALL, "codes": ["P0340"]}, channels={**CAM, "cam": 0}),
    "cam_timing": of(
        {"sensor": HALL, "codes": ["P0016"]}, channels=CAM,
        measures=[{"name": "cam_shift", "value": 18.1, "uncertainty": 0.2}, {"name": "cam_swing", "value": 0.6}],
    ),
    "cam_phaser": of(
        {"sensor": HALL, "codes": ["P0011"]}, channels=CAM,
        measures=[{"name": "cam_swing", "value": 22.0}],
    ),
    "misfire": of(
        {"sensor": HALL, "codes": ["P0303"], "complaint": ["rough idle"]},
        measures=[*WORK, *NO_MISFIRE[:2], {**NO_MISFIRE[2], "value": 0.3, "uncertainty": 0.02}, *NO_MISFIRE[3:], *EVEN],
    ),
    "low_compression": of(
        {"sensor": HALL, "complaint": ["rough idle"]},
        measures=[{**WORK[0], "value": -0.2, "weak": True}, *WORK[1:], *NO_MISFIRE,
                  {**EVEN[0], "value": 60.0}, *EVEN[1:]],
    ),
    "look_past_signal": of(
        {"sensor": HALL, "codes": ["P0335"], "readings": {**GOOD, "measured_at": "control unit"}},
        measures=[*WORK, *NO_MISFIRE, {"name": "jitter", "value": 0.01}], places={"plug": "quiet"},
    ),
    "unproven": of({"sensor": HALL}, turns=400, measures=[*WORK, *NO_MISFIRE]),
}  # fmt: skip
