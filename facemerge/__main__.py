"""`python -m facemerge` is the same as `facemerge`."""

from facemerge.cli import main

if __name__ == "__main__":
    main()
