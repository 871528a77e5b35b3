"""The way for a phone over the same network: its listener, its certificate, who may come in."""
