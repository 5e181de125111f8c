"""Hypothesis strategies that the tests share: valid values only, named in the plural."""
