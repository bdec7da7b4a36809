"""What we mean: frozen constants that a clinician or programme manager could argue with."""
