"""Exact sets of packets. The decision-diagram library is used in `bdd` and nowhere else."""
