"""A setting with its stated chance, or a refusal; lots, strips, other machines."""
