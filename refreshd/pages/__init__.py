"""What drives say of themselves: the commands that ask, and bytes turned into values. Pure.

Every decoder is strict: bytes that are cut short, do not add up or cannot be true raise
`BadPageError`, and `assemble` reports no number from them.
"""

from refreshd.pages.assembling import assemble, vital
from refreshd.pages.octets import BadPageError

__all__ = ["BadPageError", "assemble", "vital"]
