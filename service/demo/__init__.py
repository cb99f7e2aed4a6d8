"""The demo: an invented freight exchange, played through the real ingest path on a simulated clock."""
