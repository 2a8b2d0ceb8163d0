"""Trusted numbers from beam tests of nested X-ray telescope mirrors."""

__version__ = "0.1.0"
