"""Devices and subnets as a graph, packets carried along it. The only room with networkx."""
