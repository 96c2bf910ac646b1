"""Made signals with the truth beside them: engine, wheel, sensor, wiring, recorder. For the demo and the tests only."""
