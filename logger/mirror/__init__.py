"""InfluxDB: everything the journal holds is sent there, and read back from there."""
