"""The maker's own drawing as a job: read, timed, priced."""
