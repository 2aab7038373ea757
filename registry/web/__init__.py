"""Pages; nothing here imports sqlalchemy or decides a rule."""
