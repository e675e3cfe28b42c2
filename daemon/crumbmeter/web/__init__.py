"""The desk: what people meet with their browsers, in a process of its own beside control (docs/desk.md).

It knows control through the local socket alone; control does not know it. Whatever becomes of it, the scan goes on.
"""
