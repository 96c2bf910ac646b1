"""Front ends between a vehicle's wires and the board's pins: values, drawings, parts lists and simulation."""
