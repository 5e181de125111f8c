"""One question a file: a loaded fleet in, results out."""
