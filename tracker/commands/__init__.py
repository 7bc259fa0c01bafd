"""One module a command; see tracker/cli.py."""
