"""The maker's own drawing as a job: read, timed, priced at a region's chances."""
