"""Edges, ticks and blind stretches, and the file formats they come from and go to."""
