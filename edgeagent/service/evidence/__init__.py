"""Evidence while the agent runs: checkpoints signed off the loop, handed to witnesses, and what they answer.

Nothing here delays a part: whatever is slow or fails does so in threads of its own.
"""
