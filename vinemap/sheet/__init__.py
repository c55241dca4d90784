"""The crew sheet: a printed page a block."""
