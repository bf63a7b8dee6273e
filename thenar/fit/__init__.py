"""Fits: from a person's own recordings to the wearers and estimators that the simulator runs."""
