"""The program's sentences with their values, in either unit."""
