"""Encounters that last: the relative path bends while the errors matter, so they are followed along it."""
