"""The bench page: where the buds that the razor opens are read and kept, with no network."""
