"""From what was seen, read and complained of to what may be at fault, and what to test next."""
