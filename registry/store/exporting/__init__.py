"""Tables out: what each holds, its dictionary, the bytes of its file; no viewer is asked."""
