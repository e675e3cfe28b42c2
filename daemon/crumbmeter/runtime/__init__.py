"""Asyncio that keeps the scan going: no client library and no socket here; adapters serve the ports."""
