"""What comes of the search: findings, rivals, proofs and doubts, or how it ends without a recipe."""
