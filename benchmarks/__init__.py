"""Speed and memory beside general-purpose libraries, and accuracy beside truth. Never tests."""
