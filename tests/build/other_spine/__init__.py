"""A second drawing of operated spines: other shapes and other physics than the demo's.

Truth comes from the surfaces; the voxels come from a drawn scanner that never sees the truth.
"""
