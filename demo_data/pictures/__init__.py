"""The README's pictures, and the script that takes them."""
