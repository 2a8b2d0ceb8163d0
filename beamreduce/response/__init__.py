"""Effective area and redistribution in files that general X-ray software reads (OGIP)."""
