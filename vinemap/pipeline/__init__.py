"""The stages strung together: a map made, held against what grew, and written."""
