"""The description of a layout: classes, the line notation, the file reader, the track."""
