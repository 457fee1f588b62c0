"""Everything that touches the world: broker, files, clock, storage, notification services."""
