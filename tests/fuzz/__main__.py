"""The long form of the fuzzing: every target for its share of the time, and a table of what came of it.

    python -m tests.fuzz --minutes 60 [--target csv] [--seed 1] [--plain]

With atheris (`pip install atheris`) the cases are led by what code they reach; without it, or with --plain, they are
changed at random. Either way each target runs in a process of its own, below everybody else's. A case that breaks
something is made small and kept in tests/fuzz/found/TARGET, where the tests pick it up. Ends with 1 if there is one.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

NAMES = (
    "frames", "sealed", "csv", "vcd", "wav", "volts", "marks", "examine", "wheel", "harness", "job", "kept_card",
    "limits", "setup", "request", "rig",
)  # fmt: skip
MOST_BYTES = 12_000


def guided(name: str, seconds: float, seed: int, told: Path) -> None:
    """Led by coverage; does not return. Writes the number of cases and the defects as it goes."""
    import atheris

    with atheris.instrument_imports(include=["toothwise"]):
        from tests.fuzz.hunt import broken, keep, place_of, smaller
        from tests.fuzz.mutate import mutated
        from tests.fuzz.targets import named

        target = named(name)
        seeds = target.seeds()
        for data in seeds:  # imports what the rooms import late, while imports are watched
            broken(target, data)
    places: dict[str, str] = {}
    state = {"cases": 0, "next": 0.0}

    def one(data: bytes) -> None:
        state["cases"] += 1
        error = broken(target, data)
        if error is not None and (place := place_of(error)) not in places:
            places[place] = str(keep(target, smaller(target, data, place)))
        if error is not None or time.monotonic() > state["next"]:
            state["next"] = time.monotonic() + 0.5
            told.write_text(json.dumps([state["cases"], places]))

    def change(data: bytes, most: int, number: int) -> bytes:
        chance = random.Random(number)
        if chance.random() < 0.5:
            return bytes(atheris.Mutate(data, most))
        return mutated([data or b"\n", *seeds], chance, target.words)[:most]

    with tempfile.TemporaryDirectory() as folder:
        for at, data in enumerate(seeds):
            (Path(folder) / str(at)).write_bytes(data[:MOST_BYTES])
        options = [f"-max_total_time={round(seconds)}", f"-seed={seed}", f"-max_len={MOST_BYTES}", "-verbosity=0"]
        # The leading itself takes some kilobytes a case: a target alone stays where it was (a million cases: 6 GB).
        options += [
            "-timeout=60",
            "-rss_limit_mb=6144",
            f"-artifact_prefix={folder}/",
        ]  # what it finds slow, it would leave here
        atheris.Setup([sys.argv[0], *options, folder], one, custom_mutator=change)
        atheris.Fuzz()


def at_random(name: str, seconds: float, seed: int, told: Path) -> None:
    from tests.fuzz.hunt import keep, plainly
    from tests.fuzz.targets import named

    many, found = plainly(name, seconds, seed)
    told.write_text(json.dumps([many, {place: str(keep(named(name), case)) for place, (case, _) in found.items()}]))


def rig(seconds: float, seed: int, told: Path) -> None:
    from tests.fuzz.rig import BATCH, Commanded, lines
    from tests.fuzz.targets import FOUND

    some: list[bytes] = []
    places: dict[str, str] = {}
    many = 0
    end = time.monotonic() + seconds
    source = lines(seed)
    while time.monotonic() < end and not places:
        with tempfile.TemporaryDirectory() as folder:
            board = Commanded(Path(folder))
            try:
                for _ in range(200):
                    if time.monotonic() >= end:
                        break
                    some = [next(source) for _ in range(BATCH)]
                    board.say(some)
                    many += len(some)
                board.close()
            except AssertionError as error:
                path = FOUND / "rig" / str(seed)
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(b"\n".join(some))
                places[str(error)[:200]] = str(path)
    told.write_text(json.dumps([many, places]))


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--minutes", type=float, default=60.0, help="for all targets together")
    options.add_argument("--target", choices=NAMES, action="append", help="only this one; may be given again")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--plain", action="store_true", help="at random, even where atheris is there")
    options.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    given = options.parse_args()
    lead = not given.plain and importlib.util.find_spec("atheris") is not None
    names = given.target or NAMES
    share = given.minutes * 60 / len(names)
    if given.child:
        name, file = given.child
        told = Path(file)
        run = rig if name == "rig" else None
        if run:
            run(share, given.seed, told)
        else:
            (guided if lead else at_random)(name, share, given.seed, told)
        return 0
    print(f"{'led by coverage' if lead else 'at random'}, {share:.0f} s a target, seed {given.seed}")
    print(f"{'target':12}{'cases':>10}  found")
    bad = False
    for name in names:
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "told"
            command = ["nice", "-n", "15", sys.executable, "-m", "tests.fuzz", "--target", name, "--seed"]
            command += [str(given.seed), "--minutes", str(share / 60), "--child", name, str(file)]
            ran = subprocess.run([*command, *(["--plain"] if given.plain else [])], capture_output=True, text=True)
            many, places = (
                json.loads(file.read_text()) if file.exists() else (0, {"the fuzzer itself": ran.stderr[-300:]})
            )
        if ran.returncode:
            places["the process ended with a crash"] = ran.stderr[-300:]
        bad |= bool(places)
        print(f"{name:12}{many:10}  {len(places) or 'nothing'}", flush=True)
        for place, where in places.items():
            print(f"{'':14}{place}\n{'':16}{where}", flush=True)
    return int(bad)


if __name__ == "__main__":
    sys.exit(main())
