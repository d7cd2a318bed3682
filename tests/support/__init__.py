"""What several tests share: whole virtual rigs, and judging a mount's hidden state by another computation."""
