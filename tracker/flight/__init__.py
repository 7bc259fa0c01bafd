"""A track to numbers: physics, fit, release, measures, and the limit of accuracy."""
