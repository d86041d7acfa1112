"""Whether a channel can be what it is called: physical bounds, and its neighbours in this log."""

from canassist.decode.belief.believe import believe

__all__ = ["believe"]
