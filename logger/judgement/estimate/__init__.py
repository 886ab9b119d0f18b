"""The pots' own temperature: each zone's wall with a band, from probes, bounded physics and gun readings."""
