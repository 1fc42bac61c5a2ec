"""The render generator: invented utility vehicles, a simulated painter, light, camera, and the sets made of them."""
