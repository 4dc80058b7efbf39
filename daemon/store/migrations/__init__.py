"""The Alembic environment; run by `daemon.store.opening` inside a transaction that it owns."""
