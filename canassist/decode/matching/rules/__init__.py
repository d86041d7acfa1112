"""How the words of a signal speak for a channel: the rule of every channel."""
