"""What people say becomes batches and sensors' corrections."""
