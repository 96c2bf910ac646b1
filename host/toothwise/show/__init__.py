"""Terminal, text, page and report. Nothing in here computes: it shows what an examination came to."""
