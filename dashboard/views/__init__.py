"""One page a file; each takes a `Snapshot` and shows what its viewer may see."""
