"""Result rows and their reasons."""
