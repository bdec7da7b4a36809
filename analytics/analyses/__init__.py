"""One file per question; a function is named after the shape that it returns."""
