"""What drives say of themselves: the commands that ask, and bytes turned into values. Pure."""
