"""How much area the mirror has, at every energy and angle, and how sure that is."""
