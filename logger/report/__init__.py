"""One firing as one file that opens anywhere and prints on two pages."""
