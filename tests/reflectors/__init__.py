"""Tests of the room of reflectors."""
