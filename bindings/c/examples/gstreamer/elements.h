/* What the plugin's files share. */
#ifndef COEVAL_GST_ELEMENTS_H
#define COEVAL_GST_ELEMENTS_H

#include <coeval.h>
#include <gst/audio/audio.h>
#include <gst/gst.h>

#define COEVAL_CAPS                                                                               \
    "audio/x-raw, format=(string)" GST_AUDIO_NE(F32) ", layout=(string)interleaved, "              \
    "rate=(int)[1000, 768000], channels=(int)[1, 64]"

GType coeval_gst_align_get_type(void);
GType coeval_gst_conform_get_type(void);

#endif
