"""What the program answers: plain data, ready to print."""
