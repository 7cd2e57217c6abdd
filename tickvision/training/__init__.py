"""Features, heads, fine-tuning, scores, ONNX. The only room that imports torch."""

import os

# Torch's threads spin while they wait for each other. On cores shared with other work this was measured to cost a
# factor of four (1.9 against 7.6 photographs a second, two busy cores). Read once, when torch is first imported.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
