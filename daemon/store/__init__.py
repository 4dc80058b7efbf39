"""Records that outlive the daemon: jobs, events, images, programmers, retried requests, and image contents.

`daemon.store.model` has the values, `daemon.store.store` the `Store`, `daemon.store.blobs` the contents. This
file imports nothing, so that a client which only wants the enums does not pay for the database library.
"""
