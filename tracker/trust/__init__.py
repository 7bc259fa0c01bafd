"""Is the rig still what it was, and what can a rig tell apart?"""
