"""Text to models, or a finding that points at the line. The only room with pyparsing."""
