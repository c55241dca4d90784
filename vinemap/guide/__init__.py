"""The guide that ships with vinemap: Markdown chapters, rendered into one page that needs no network."""
