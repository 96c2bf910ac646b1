"""Wheel patterns, the catalogue, identifying a wheel and learning one."""
