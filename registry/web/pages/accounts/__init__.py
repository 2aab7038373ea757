"""The accounts, for who keeps them."""
