"""What every tablet is told while it is open: one look at the journal for all of them."""
