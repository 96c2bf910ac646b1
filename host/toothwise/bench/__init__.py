"""The rebuilder's bench: a sensor in, a proven pass or fail out, lot after lot."""
