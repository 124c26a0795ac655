"""What every question uses: chances, samples, linear equations, findings, and what noise is."""
