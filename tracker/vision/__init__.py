"""Pixels to sightings."""
