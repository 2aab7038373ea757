"""One module a command; printing and exit statuses live in output alone."""
