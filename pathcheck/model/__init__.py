"""What the configuration says, with the places where it says it and no meaning added."""
