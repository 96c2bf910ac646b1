"""The page itself: markup, style and script joined into one file, with headers that let it load nothing else."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files


@cache
def _parts() -> tuple[str, str, str]:
    here = files("toothwise.page")
    markup, style, script = ((here / name).read_text(encoding="utf-8") for name in ("page.html", "page.css", "page.js"))
    return markup, style, script


@cache
def page() -> bytes:
    """All of it as one file that needs no other."""
    markup, style, script = _parts()
    return markup.replace("/* page.css */", style).replace("/* page.js */", script).encode()


@cache
def _hash(text: str) -> str:
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"


def headers(host: str) -> dict[str, str]:
    """host: the one of the request, once it was found to be one of ours; the only place the page may connect to."""
    _, style, script = _parts()
    rules = [
        "default-src 'none'",
        f"script-src {_hash(script)}",
        f"style-src {_hash(style)}",
        f"connect-src ws://{host}",
        "img-src data:",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    ]
    return {
        "Content-Type": "text/html; charset=utf-8",
        "Content-Length": str(len(page())),
        "Content-Security-Policy": "; ".join(rules),
        "Connection": "close",
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        "Referrer-Policy": "no-referrer",
        "Cache-Control": "no-store",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
    }
