"""Edges to teeth: which edge is which tooth, what is missing, what is extra."""
