"""How does a page look? One file of HTML, for reading from disk, on paper and by ear."""
