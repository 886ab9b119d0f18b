"""The alarm rules: what holds where, each second."""
