"""Sightings to a track: matching views, the Kalman filter, clocks, which tracks are deliveries."""
