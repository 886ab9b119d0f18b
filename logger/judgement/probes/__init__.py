"""Which probes can be believed: judged by what a probe can show at all, and beside the others."""
