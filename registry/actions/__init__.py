"""One verb a module; each opens its own transaction and asks access first."""
