"""The page of a run: one self-contained document and its numbers, read only, over HTTP."""
