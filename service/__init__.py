"""Weighbook: yield and cost analytics across many runs of multi-step chemical preparations."""

__version__ = "0.1.0"
