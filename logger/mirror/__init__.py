"""InfluxDB: send everything in the journal there, and read it back."""
