"""Whether the rig is still what it was, and what a rig can tell apart."""
