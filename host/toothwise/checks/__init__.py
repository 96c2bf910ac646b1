"""Teeth in, events and measures out; one file a check."""
