"""Which probes can be believed: judged by what a probe can show at all, and by its company."""
