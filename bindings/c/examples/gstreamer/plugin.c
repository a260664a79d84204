#include "elements.h"

static gboolean register_elements(GstPlugin *plugin) {
    return coeval_abi_version() == COEVAL_ABI_VERSION &&
           gst_element_register(plugin, "coevalalign", GST_RANK_NONE, coeval_gst_align_get_type()) &&
           gst_element_register(plugin, "coevalconform", GST_RANK_NONE, coeval_gst_conform_get_type());
}

GST_PLUGIN_DEFINE(GST_VERSION_MAJOR, GST_VERSION_MINOR, coeval, "Recordings of one event on one clock",
                  register_elements, "0.1.0", "MIT/X11", "gst-coeval", "https://example.org")
