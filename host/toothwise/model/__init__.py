"""Made signals with the truth beside them: engine, wheel, sensor, wiring, recorder. For demo and tests."""
