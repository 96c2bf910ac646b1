"""How long an edge takes to the live page, and whether the page grows in a long watch. Needs Chromium.

    python -m tests.benchmarks.bench_page [--seconds 30] [--edges 20000] [--viewers 3] [--hours 8]

Latency: `watch --page` in a process of its own on the virtual rig, as in bench_watch.py, with so many Chromium windows
looking on. From the moment a pulse's first edge was due at the pin (counted from when the host wrote `start`, which is
before the rig can have read it) to the moment after the frame in which the page showed its line, in each window.

Attack: the same watch without a viewer, and with 200 connections at once that never stop: half of them wait in
silence, half ask with a wrong secret and come again. What the result then says of lost time and of edges, and the CPU.

Memory: so many hours' worth of news, a second of watching a message (8 rows, every other second a finding), sent as
fast as one window takes it, so much faster than real time. Of eight points on the way: the page's JavaScript heap after
a collection, its DOM nodes, the server's resident memory, and how long the page took to draw, in the median.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from toothwise.page.address import fresh_keys
from toothwise.page.process import Page

from tests.benchmarks import bench_watch
from tests.page.browser import Browser, opened
from tests.page.stage import free_port

_NOTE_LINES = """
window.shownAt = {};
new MutationObserver(() => {
    const lines = [...document.querySelectorAll("#finding-list bdi")].map((n) => n.textContent.split(" ")[0]);
    requestAnimationFrame(() => setTimeout(() => { for (const line of lines) shownAt[line] ??= Date.now(); }));
}).observe(document.getElementById("finding-list"), {childList: true});
"""
_COUNT = """
window.states = 0; window.took = [];
const plain = hear; hear = (news) => { if (news.n !== undefined) states++; plain(news); };
const pencil = draw; draw = () => { const t = performance.now(); pencil(); took.push(performance.now() - t); };
"""


def started(folder: str, seconds: float, edges_a_second: float, *arguments: str) -> subprocess.Popen[bytes]:
    """`watch --page`, as bench_watch.py runs it; what it cost will be in told.json."""
    environment = {**os.environ, "TOOTHWISE_BOOK": str(Path(folder) / "b.sqlite"), "XDG_STATE_HOME": folder}
    line = [sys.executable, str(Path(bench_watch.__file__)), "--child", str(Path(folder) / "told.json")]
    line += ["--seconds", str(seconds), "--edges", str(edges_a_second), "--", *arguments, "--page", str(free_port())]
    return subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment)


def address_of(process: subprocess.Popen[bytes]) -> str:
    assert process.stderr is not None
    return process.stderr.readline().decode().split()[-1]


def attacked(seconds: float, edges_a_second: float, connections: int) -> tuple[dict[str, Any], float, int]:
    """What `watch` found, its CPU share, and how many connections were made while it ran."""
    with tempfile.TemporaryDirectory() as folder:
        process = started(folder, seconds, edges_a_second, "--json")
        where = urlsplit(address_of(process))
        made, over = [0] * connections, threading.Event()

        def attack(n: int) -> None:
            while not over.is_set():
                with contextlib.suppress(OSError), socket.create_connection((where.hostname, where.port), 5) as line:
                    made[n] += 1
                    if n % 2:
                        line.sendall(f"GET /{'0' * 32}/ HTTP/1.1\r\nHost: {where.netloc}\r\n\r\n".encode())
                    line.recv(4096)
                time.sleep(0.05)

        threads = [threading.Thread(target=attack, args=(n,), daemon=True) for n in range(connections)]
        for thread in threads:
            thread.start()
        out, _ = process.communicate()
        over.set()
        for thread in threads:
            thread.join()
        told = json.loads((Path(folder) / "told.json").read_text())
    return json.loads(out), told["cpu"] / told["wall"], sum(made)


def latencies(seconds: float, edges_a_second: float, viewers: int) -> tuple[list[float], int, float]:
    """Milliseconds for each pulse in each window, lines that some window never showed, CPU share of `watch`."""
    _, _, pulses = bench_watch.signal(seconds, edges_a_second)
    with tempfile.TemporaryDirectory() as folder, opened() as browser:
        process = started(folder, seconds, edges_a_second, "--plain")
        address = address_of(process)
        windows = []
        for n in range(viewers):
            if n:
                browser.driver.switch_to.new_window("window")
            browser.open(address)
            browser.until("link", "live")
            browser.ask(_NOTE_LINES)
            windows.append(browser.driver.current_window_handle)
        ready = time.time()
        process.communicate()
        time.sleep(1.0)
        seen = []
        for window in windows:
            browser.driver.switch_to.window(window)
            seen.append(browser.ask("return shownAt"))
        told = json.loads((Path(folder) / "told.json").read_text())
    start = told["start"] + time.time() - time.monotonic()
    late, lost = [], 0
    for pulse in pulses:
        if start + pulse < ready:
            continue
        names = [f"{pulse + shift:.3f}" for shift in (0.0, -5e-4, 5e-4)]
        for shown in seen:
            at = next((shown[name] for name in names if name in shown), None)
            lost += at is None
            late += [] if at is None else [at - 1e3 * (start + pulse)]
    return late, lost, told["cpu"] / told["wall"]


def resident_mb(process: int) -> float:
    try:
        pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    except OSError:
        return float("nan")
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def second_of_news(second: int) -> dict[str, Any]:
    """What a second of a watch comes to."""
    figures = dict.fromkeys(("missing", "extra"), f"{second // 2:,}")
    figures |= {"seen": f"{second * 928:,}", "revolutions": f"{second * 16:,}", "blind": "0 s", "time": f"{second} s"}
    now = {"kind": "watch", "title": "made", "rpm": "960", "figures": figures, "notice": "", "muted": False, "marks": 0}
    news: dict[str, Any] = {"now": {**now, "buttons": ["mark", "sound"]}}
    news["rows"] = [[second * 8 + k, second * 16 + 2 * k, 2, "1" * (57 - k) + "8" + "00"] for k in range(8)]
    if second == 0:
        news["wheel"] = {"name": "60-2", "columns": 60, "teeth": list(range(58)), "gaps": [[59, 2]]}
    if second % 2:
        where = f"{second}.123 s · revolution {second * 16} · tooth 7 (36°)"
        news["findings"] = [[second, "missing", "1 tooth missing, held high 1.1 ms", where]]
        news["alarm"] = {"n": second, "name": "missing", "text": "1 tooth missing, held high 1.1 ms"}
    return news


def long_watch(hours: float) -> list[tuple[float, float, int, float, float, int]]:
    """Hours, heap in MB, DOM nodes, server in MB, ms a draw, states the page has had; at eight points on the way."""
    rows = []
    whole = int(hours * 3600)
    with Page(fresh_keys(), port=free_port()) as page, opened() as browser:
        browser.open(page.address)
        browser.until("link", "live")
        browser.ask(_COUNT)
        for second in range(whole + 1):
            page.tell(second_of_news(second))
            time.sleep(0.001)
            if second % max(whole // 8, 1) == 0:
                browser.until("revolutions", f"{second * 16:,}")
                rows.append((second / 3600, *_measured(browser, page)))
    return rows


def _measured(browser: Browser, page: Page) -> tuple[float, int, float, float, int]:
    command = browser.driver.execute_cdp_cmd
    command("HeapProfiler.collectGarbage", {})
    heap = command("Runtime.getHeapUsage", {})["usedSize"] / 1e6
    nodes = command("Memory.getDOMCounters", {})["nodes"]
    took = browser.ask("const t = took; took = []; return t") or [float("nan")]
    return heap, nodes, resident_mb(page.process_id), statistics.median(took), browser.ask("return states")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--edges", type=float, default=20_000.0, help="a second, on one channel")
    parser.add_argument("--viewers", type=int, default=3)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--hours", type=float, default=8.0)
    args = parser.parse_args()
    print(f"edge to page, {args.edges:,.0f} edges/s, {args.viewers} windows, {args.seconds:g} s a run")
    for _ in range(args.runs):
        late, lost, share = latencies(args.seconds, args.edges, args.viewers)
        late.sort()
        print(
            f"  p50 {statistics.median(late):4.0f} ms   p99 {late[int(0.99 * (len(late) - 1))]:4.0f} ms   longest "
            f"{late[-1]:4.0f} ms   of {len(late)} lines, {lost} not seen   watch {100 * share:.0f} % of a core"
        )
    for connections in (0, 200):
        found, share, made = attacked(args.seconds, args.edges, connections)
        print(
            f"  {connections} connections, {made:,} made: {found['channels']['crank']['edges']:,} edges, "
            f"{len(found['events'])} findings, blind {found['blind_s']:g} s, watch {100 * share:.0f} % of a core"
        )
    began = time.monotonic()
    rows = long_watch(args.hours)
    print(f"{args.hours:g} hours' worth in {time.monotonic() - began:.0f} s")
    print("  hours   page heap   DOM nodes   server   a draw   states so far")
    for hours, heap, nodes, server, took, states in rows:
        print(f"  {hours:5.2f}   {heap:6.2f} MB   {nodes:9d}   {server:4.1f} MB   {took:3.1f} ms   {states}")


if __name__ == "__main__":
    main()
