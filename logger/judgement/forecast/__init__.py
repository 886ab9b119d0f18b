"""When each zone gets where it should be at the present rate, and where its level may go."""
