"""The cue network: architecture, training, calibration, evaluation, export; the shipped weights lie in `weights/`."""
