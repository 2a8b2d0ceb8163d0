"""From what a diverging beam shows to what a star would."""
