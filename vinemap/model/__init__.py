"""A spatial model of binomial counts; it knows no vineyard."""
