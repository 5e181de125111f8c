"""pathcheck: verifies access lists and routing tables before they are deployed."""
