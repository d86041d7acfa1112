"""Network captures of SocketCAN interfaces."""
