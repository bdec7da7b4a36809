"""An invented network of clinics, and the exports that it sends."""
