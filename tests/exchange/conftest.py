"""A journal of its own for each test, as the journal's tests have it."""

from tests.journal.conftest import firing, path, reader, shared, writer

__all__ = ["firing", "path", "reader", "shared", "writer"]
