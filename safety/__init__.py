"""What may be energised, when, and in which order everything goes to rest."""
