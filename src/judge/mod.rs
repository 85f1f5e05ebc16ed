//! What keeps a device from linking.
