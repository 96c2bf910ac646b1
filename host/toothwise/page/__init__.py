"""The live page: what the terminal shows, on a phone on the fender. It shows, and computes nothing.

feed.py      the capture's objects to plain news        address.py   the secret and the machine's addresses
shown.py     the newest state, and nothing queued       gate.py      who may come in
process.py   the capture's end of the pipe              qr.py        the address on the terminal
server.py    the other end, in a process of its own     viewer.py    the screens that look on
page.html, page.css, page.js   the page itself, joined by source.py
"""
