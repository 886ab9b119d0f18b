"""What open tablets are sent: one look at the journal serves them all."""
