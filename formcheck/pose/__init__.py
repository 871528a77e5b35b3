"""The one adapter to MediaPipe: pictures in, landmarks out."""
