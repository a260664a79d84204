/* Holds conformed sound against the camera's, from the start and after a seek.
 *     check camera.wav recorder.flac map.json
 * Both must lie on each other to 0.1 ms, and what comes after a seek must be what came there before. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include <coeval.h>
#include <gst/audio/audio.h>
#include <gst/gst.h>

typedef struct Sound {
    GArray *samples; /* of the first channel */
    double start_s;
    int rate, channels;
} Sound;

static void take(GstElement *sink, GstBuffer *buffer, GstPad *pad, gpointer data) {
    Sound *sound = data;
    GstMapInfo info;
    (void)sink;
    if (sound->samples->len == 0) {
        GstCaps *caps = gst_pad_get_current_caps(pad);
        GstAudioInfo audio;
        gst_audio_info_from_caps(&audio, caps);
        gst_caps_unref(caps);
        sound->start_s = (double)GST_BUFFER_PTS(buffer) / GST_SECOND;
        sound->rate = audio.rate;
        sound->channels = audio.channels;
    }
    gst_buffer_map(buffer, &info, GST_MAP_READ);
    for (gsize at = 0; at < info.size / sizeof(float); at += (gsize)sound->channels)
        g_array_append_vals(sound->samples, (const float *)(const void *)info.data + at, 1);
    gst_buffer_unmap(buffer, &info);
}

static int ended(GstElement *pipeline) {
    GstBus *bus = gst_element_get_bus(pipeline);
    GstMessage *message =
        gst_bus_timed_pop_filtered(bus, 300 * GST_SECOND, GST_MESSAGE_EOS | GST_MESSAGE_ERROR);
    const int good = message != NULL && GST_MESSAGE_TYPE(message) == GST_MESSAGE_EOS;
    if (message != NULL && !good) {
        GError *why;
        gst_message_parse_error(message, &why, NULL);
        fprintf(stderr, "%s\n", why->message);
        g_error_free(why);
    }
    if (message != NULL) gst_message_unref(message);
    gst_object_unref(bus);
    return good;
}

/* Runs a pipeline to its end, from `seek_s` on where that is not negative. */
static Sound hear(const char *description, double seek_s) {
    GstElement *pipeline = gst_parse_launch(description, NULL), *sink;
    Sound sound = {g_array_new(FALSE, FALSE, sizeof(float)), NAN, 0, 0};
    int good;
    g_assert(pipeline != NULL);
    gst_element_set_state(pipeline, GST_STATE_PAUSED);
    good = gst_element_get_state(pipeline, NULL, NULL, 60 * GST_SECOND) == GST_STATE_CHANGE_SUCCESS;
    if (good && seek_s >= 0.0) {
        good = gst_element_seek_simple(pipeline, GST_FORMAT_TIME, GST_SEEK_FLAG_FLUSH | GST_SEEK_FLAG_ACCURATE,
                                       (gint64)(seek_s * GST_SECOND)) &&
               gst_element_get_state(pipeline, NULL, NULL, 60 * GST_SECOND) == GST_STATE_CHANGE_SUCCESS;
    }
    if (good) {
        /* The buffer that preroll has shown comes once more. */
        sink = gst_bin_get_by_name(GST_BIN(pipeline), "out");
        g_signal_connect(sink, "handoff", G_CALLBACK(take), &sound);
        g_object_set(sink, "signal-handoffs", TRUE, NULL);
        gst_object_unref(sink);
        gst_element_set_state(pipeline, GST_STATE_PLAYING);
        good = ended(pipeline);
    }
    gst_element_set_state(pipeline, GST_STATE_NULL);
    gst_object_unref(pipeline);
    if (!good) {
        fprintf(stderr, "failed: %s\n", description);
        exit(1);
    }
    return sound;
}

static coeval_track *track(const Sound *sound, size_t from) {
    coeval_track_builder *builder = NULL;
    coeval_track *made = NULL;
    g_assert(coeval_track_builder_new(sound->rate, 1, &builder, NULL) == COEVAL_OK);
    g_assert(coeval_track_builder_push_interleaved(builder, (const float *)(void *)sound->samples->data + from,
                                                   sound->samples->len - from, NULL) == COEVAL_OK);
    g_assert(coeval_track_builder_finish(&builder, &made, NULL) == COEVAL_OK);
    return made;
}

/* Where the sound lies on the camera's, beyond where its time says it does. */
static int lies(const char *what, const Sound *camera, const Sound *sound) {
    coeval_track *a = track(camera, 0), *b = track(sound, 0);
    coeval_pair *pair = NULL;
    coeval_pair_summary found = {.struct_size = sizeof found};
    double off_s;
    g_assert(coeval_pair_align(a, b, NULL, NULL, NULL, &pair, NULL) == COEVAL_OK);
    g_assert(coeval_pair_get_summary(pair, &found, NULL) == COEVAL_OK);
    off_s = found.offset_s - sound->start_s;
    printf("%s: begins at %.6f s, %.3f s long; off by %+.4f ms, drift %+.3f ppm\n", what, sound->start_s,
           (double)sound->samples->len / sound->rate, 1e3 * off_s, found.drift_ppm);
    coeval_pair_free(&pair);
    coeval_track_free(&a);
    coeval_track_free(&b);
    return found.placed == 1 && fabs(off_s) < 1e-4;
}

int main(int argc, char **argv) {
    gchar *camera_text, *conform_text;
    Sound camera, whole, later;
    const double seek_s = 21.5;
    size_t i, from, wrong = 0;
    int good;
    gst_init(&argc, &argv);
    if (argc != 4) return 2;
    camera_text = g_strdup_printf("filesrc location=%s ! wavparse ! audioconvert ! audio/x-raw,format=F32LE ! "
                                  "fakesink name=out sync=false",
                                  argv[1]);
    conform_text = g_strdup_printf("filesrc location=%s ! flacparse ! flacdec ! audioconvert ! coevalconform map=%s ! "
                                   "audio/x-raw,format=F32LE ! fakesink name=out sync=false",
                                   argv[2], argv[3]);
    camera = hear(camera_text, -1.0);
    whole = hear(conform_text, -1.0);
    later = hear(conform_text, seek_s);
    good = lies("from the start", &camera, &whole);
    good = lies("after a seek", &camera, &later) && good;
    /* The seek's sound is the same as what came there before. */
    from = (size_t)llround((later.start_s - whole.start_s) * whole.rate);
    good = good && later.start_s == seek_s && later.samples->len + from == whole.samples->len;
    for (i = 0; good && i < later.samples->len; i++)
        wrong += fabsf(g_array_index(later.samples, float, i) - g_array_index(whole.samples, float, from + i)) > 1e-6f;
    printf("after the seek %zu of %u samples differ from what came there before\n", wrong, later.samples->len);
    good = good && wrong == 0;
    g_array_free(camera.samples, TRUE);
    g_array_free(whole.samples, TRUE);
    g_array_free(later.samples, TRUE);
    g_free(camera_text);
    g_free(conform_text);
    gst_deinit();
    return good ? 0 : 1;
}
