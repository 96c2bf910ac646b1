"""The report's pictures: one file each, an object's parts in, SVG text out. Only what the object says is drawn."""
