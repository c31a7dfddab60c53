"""The stages of a run, one verb a file: each takes nouns and gives nouns."""
