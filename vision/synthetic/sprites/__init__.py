"""The sprite renderer: profiles laid as they are into a field of light, without perspective."""

from vision.synthetic.sprites.field import SpritePhoto, draw_field

__all__ = ["SpritePhoto", "draw_field"]
