"""Rendered training pictures of tap inserts and installed taps, with exact masks and true dimensions."""
