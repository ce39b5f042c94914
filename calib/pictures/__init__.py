"""Parts of the pictures: paper, the view of a region, and what is drawn on it in layers."""
