"""A spatial model of binomial counts: events of trials, observed at sites, in clusters; it knows no vineyard."""
