"""Reading a code that can hardly be read: what it may have been, and how likely."""
