"""The drawn burst: geometry, faces, hair, clothes, backgrounds and the camera that photographs them."""
