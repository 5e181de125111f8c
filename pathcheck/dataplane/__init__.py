"""What one device does to packets: first match in a list, best route."""
