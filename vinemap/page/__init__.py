"""The map page: one HTML file that the whole crew opens, with no network."""
