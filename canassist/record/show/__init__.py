"""What a passenger sees and presses in a terminal."""
