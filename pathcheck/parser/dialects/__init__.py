"""The dialects, known by their traits: which are read and which are refused."""
