"""Features, heads, fine-tuning, scores, ONNX. The only room that imports torch."""
