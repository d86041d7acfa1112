"""What ``canassist verify`` needs: pages made again, and where trusted keys are kept."""

from canassist.cli.verifying.make_again import FilesAtHand, make_again
from canassist.cli.verifying.trust_folder import trust_folder

__all__ = ["FilesAtHand", "make_again", "trust_folder"]
