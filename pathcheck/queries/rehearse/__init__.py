"""A flow in the model and in the kernel of this machine, side by side."""
