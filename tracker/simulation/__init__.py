"""A true world to rehearse and to test with: its physics and its drawing are its own."""
