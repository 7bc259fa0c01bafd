"""What happened on the lane: from two films to what the coach needs to know."""
