"""Read the files of a vineyard folder and check every cell of them."""
