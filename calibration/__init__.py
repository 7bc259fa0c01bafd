"""Where things are: the lane and the two cameras. Knows nothing of balls in flight."""
