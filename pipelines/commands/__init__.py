"""What a person calls and sees; nothing here decides a result."""
