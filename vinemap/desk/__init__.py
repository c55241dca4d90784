"""The desk: pages in the browser, served on this computer alone, for the whole job and without a command."""
