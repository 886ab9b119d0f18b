"""Parts of pages: pure functions from data to components. They read no clock and do no I/O."""
