"""What the program says: sentences with their values, written in either unit."""
