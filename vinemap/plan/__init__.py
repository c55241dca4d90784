"""Before the map: how much to collect, where, and in which order."""
