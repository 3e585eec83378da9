"""One file a version; they are run in order and never changed once released."""
