/* coevalalign: two or more streams of sound of one event pass through; when the last has ended it is known how they lie
 * on the first. Each sink_N has a src_N that hands its buffers on.
 *
 * At the end it posts an element message `coeval-alignment` with, for each stream N from 1, `placed-N`, `offset-N` (time
 * of stream 0 minus time of stream N at its start, seconds), `drift-N` (ppm), `confidence-N`, `uncertainty-N` (seconds)
 * and `map-N` (JSON text that coevalconform takes). The same goes as a comment tag down each src_N, before its end. With
 * `location`, the maps are also written there as sink_N.json. */
#include <math.h>

#include "elements.h"

typedef struct Stream {
    GstPad *sink, *src;
    coeval_track_builder *builder;
    coeval_track *track;
    int rate, channels;
    gboolean ended;
} Stream;

typedef struct Align {
    GstElement parent;
    GPtrArray *streams; /* in the order of their numbers; under the object's lock */
    guint next;
    gchar *location;
} Align;

typedef struct AlignClass {
    GstElementClass parent;
} AlignClass;

G_DEFINE_TYPE(Align, coeval_gst_align, GST_TYPE_ELEMENT)

enum { PROP_0, PROP_LOCATION };

static GstStaticPadTemplate sinks =
    GST_STATIC_PAD_TEMPLATE("sink_%u", GST_PAD_SINK, GST_PAD_REQUEST, GST_STATIC_CAPS(COEVAL_CAPS));
static GstStaticPadTemplate sources =
    GST_STATIC_PAD_TEMPLATE("src_%u", GST_PAD_SRC, GST_PAD_SOMETIMES, GST_STATIC_CAPS(COEVAL_CAPS));

static void stream_free(gpointer data) {
    Stream *s = data;
    coeval_track_builder_free(&s->builder);
    coeval_track_free(&s->track);
    g_free(s);
}

/* Says what a call of the library failed of. */
static void complain(Align *self, coeval_error *error) {
    GST_ELEMENT_ERROR(self, STREAM, FAILED, ("%s", coeval_error_text(error)), (NULL));
}

static gchar *map_text(const coeval_pair *pair, coeval_error *error) {
    coeval_clock_map *map = NULL;
    gchar *text = NULL;
    if (coeval_pair_clock_map(pair, &map, error) == COEVAL_OK) {
        const size_t length = coeval_clock_map_to_json(map, NULL, 0);
        text = g_malloc(length + 1);
        coeval_clock_map_to_json(map, text, length + 1);
    }
    coeval_clock_map_free(&map);
    return text;
}

/* How stream `n` lies on the first: into the message, and down its source pad. */
static gboolean describe(Align *self, Stream *first, Stream *s, guint n, GstStructure *message, coeval_error *error) {
    coeval_pair *pair = NULL;
    coeval_pair_summary found = {.struct_size = sizeof found};
    gboolean good = coeval_pair_align(first->track, s->track, NULL, NULL, NULL, &pair, error) == COEVAL_OK &&
                    coeval_pair_get_summary(pair, &found, error) == COEVAL_OK;
    if (good) {
        gchar *names[6], *text = found.placed ? map_text(pair, error) : g_strdup("");
        static const char *const kinds[6] = {"placed", "offset", "drift", "confidence", "uncertainty", "map"};
        for (int i = 0; i < 6; i++) names[i] = g_strdup_printf("%s-%u", kinds[i], n);
        gst_structure_set(message, names[0], G_TYPE_BOOLEAN, found.placed == 1, names[1], G_TYPE_DOUBLE, found.offset_s,
                          names[2], G_TYPE_DOUBLE, found.drift_ppm, names[3], G_TYPE_DOUBLE, found.confidence, names[4],
                          G_TYPE_DOUBLE, found.uncertainty_s, names[5], G_TYPE_STRING, text, NULL);
        if (self->location != NULL && found.placed) {
            gchar *path = g_strdup_printf("%s/sink_%u.json", self->location, n);
            GError *why = NULL;
            if (!g_file_set_contents(path, text, -1, &why)) {
                GST_ELEMENT_WARNING(self, RESOURCE, WRITE, ("%s", why->message), (NULL));
                g_error_free(why);
            }
            g_free(path);
        }
        gst_pad_push_event(
            s->src, gst_event_new_tag(gst_tag_list_new(GST_TAG_COMMENT, coeval_pair_to_json(pair), NULL)));
        for (int i = 0; i < 6; i++) g_free(names[i]);
        g_free(text);
    }
    coeval_pair_free(&pair);
    return good;
}

/* All streams have ended. */
static void align_all(Align *self) {
    coeval_error *error = coeval_error_new();
    GstStructure *message = gst_structure_new("coeval-alignment", "streams", G_TYPE_UINT, self->streams->len, NULL);
    gboolean good = TRUE;
    guint n;
    for (n = 0; good && n < self->streams->len; n++) {
        Stream *s = g_ptr_array_index(self->streams, n);
        if (s->builder == NULL)
            good = coeval_track_builder_new(48000.0, 1, &s->builder, error) == COEVAL_OK;
        good = good && coeval_track_builder_finish(&s->builder, &s->track, error) == COEVAL_OK;
    }
    for (n = 1; good && n < self->streams->len; n++)
        good = describe(self, g_ptr_array_index(self->streams, 0), g_ptr_array_index(self->streams, n), n, message, error);
    if (good)
        gst_element_post_message(GST_ELEMENT(self), gst_message_new_element(GST_OBJECT(self), message));
    else {
        complain(self, error);
        gst_structure_free(message);
    }
    for (n = 0; n < self->streams->len; n++)
        gst_pad_push_event(((Stream *)g_ptr_array_index(self->streams, n))->src, gst_event_new_eos());
    coeval_error_free(&error);
}

static GstFlowReturn align_chain(GstPad *pad, GstObject *parent, GstBuffer *buffer) {
    Align *self = (Align *)parent;
    Stream *s = gst_pad_get_element_private(pad);
    coeval_error *error = coeval_error_new();
    coeval_status status = COEVAL_OK;
    GstFlowReturn flow;
    GstMapInfo info;
    if (s->builder == NULL) {
        coeval_error_free(&error);
        gst_buffer_unref(buffer);
        return GST_FLOW_NOT_NEGOTIATED;
    }
    if (gst_buffer_map(buffer, &info, GST_MAP_READ)) {
        status = coeval_track_builder_push_interleaved(s->builder, (const float *)(const void *)info.data,
                                                       info.size / sizeof(float) / (size_t)s->channels, error);
        gst_buffer_unmap(buffer, &info);
    }
    if (status != COEVAL_OK) {
        complain(self, error);
        coeval_error_free(&error);
        gst_buffer_unref(buffer);
        return GST_FLOW_ERROR;
    }
    coeval_error_free(&error);
    flow = gst_pad_push(s->src, buffer);
    /* Who wants only the alignment leaves the sources unlinked. */
    return flow == GST_FLOW_NOT_LINKED ? GST_FLOW_OK : flow;
}

static gboolean align_event(GstPad *pad, GstObject *parent, GstEvent *event) {
    Align *self = (Align *)parent;
    Stream *s = gst_pad_get_element_private(pad);
    switch (GST_EVENT_TYPE(event)) {
    case GST_EVENT_CAPS: {
        GstCaps *caps;
        GstAudioInfo info;
        coeval_error *error = coeval_error_new();
        gboolean good;
        gst_event_parse_caps(event, &caps);
        good = gst_audio_info_from_caps(&info, caps);
        if (good && s->builder != NULL && (s->rate != info.rate || s->channels != info.channels)) {
            GST_ELEMENT_ERROR(self, STREAM, FORMAT, ("the sound changes its rate or channels on the way"), (NULL));
            good = FALSE;
        }
        if (good && s->builder == NULL) {
            s->rate = info.rate;
            s->channels = info.channels;
            good = coeval_track_builder_new(info.rate, (size_t)info.channels, &s->builder, error) == COEVAL_OK;
            if (!good) complain(self, error);
        }
        coeval_error_free(&error);
        if (!good) {
            gst_event_unref(event);
            return FALSE;
        }
        break;
    }
    case GST_EVENT_EOS: {
        gboolean all = TRUE;
        guint n;
        gst_event_unref(event);
        GST_OBJECT_LOCK(self);
        s->ended = TRUE;
        for (n = 0; n < self->streams->len; n++) all = all && ((Stream *)g_ptr_array_index(self->streams, n))->ended;
        GST_OBJECT_UNLOCK(self);
        if (all) align_all(self);
        return TRUE;
    }
    default:
        break;
    }
    gst_pad_push_event(s->src, event);
    return TRUE;
}

static GstIterator *align_other(GstPad *pad, GstObject *parent) {
    Stream *s = gst_pad_get_element_private(pad);
    GValue value = G_VALUE_INIT;
    GstIterator *one;
    (void)parent;
    g_value_init(&value, GST_TYPE_PAD);
    g_value_set_object(&value, pad == s->sink ? s->src : s->sink);
    one = gst_iterator_new_single(GST_TYPE_PAD, &value);
    g_value_unset(&value);
    return one;
}

static GstPad *align_request(GstElement *element, GstPadTemplate *template, const gchar *name, const GstCaps *caps) {
    Align *self = (Align *)element;
    Stream *s = g_new0(Stream, 1);
    gchar *sink, *src;
    (void)name;
    (void)caps;
    GST_OBJECT_LOCK(self);
    sink = g_strdup_printf("sink_%u", self->next);
    src = g_strdup_printf("src_%u", self->next);
    self->next++;
    g_ptr_array_add(self->streams, s);
    GST_OBJECT_UNLOCK(self);
    s->sink = gst_pad_new_from_template(template, sink);
    s->src = gst_pad_new_from_static_template(&sources, src);
    g_free(sink);
    g_free(src);
    gst_pad_set_element_private(s->sink, s);
    gst_pad_set_element_private(s->src, s);
    gst_pad_set_chain_function(s->sink, align_chain);
    gst_pad_set_event_function(s->sink, align_event);
    gst_pad_set_iterate_internal_links_function(s->sink, align_other);
    gst_pad_set_iterate_internal_links_function(s->src, align_other);
    GST_PAD_SET_PROXY_CAPS(s->sink);
    GST_PAD_SET_PROXY_CAPS(s->src);
    gst_pad_set_active(s->sink, TRUE);
    gst_pad_set_active(s->src, TRUE);
    gst_element_add_pad(element, s->sink);
    gst_element_add_pad(element, s->src);
    return s->sink;
}

static void align_release(GstElement *element, GstPad *pad) {
    Align *self = (Align *)element;
    Stream *s = gst_pad_get_element_private(pad);
    GstPad *sink = s->sink, *src = s->src;
    gst_pad_set_active(sink, FALSE);
    gst_pad_set_active(src, FALSE);
    gst_element_remove_pad(element, src);
    gst_element_remove_pad(element, sink);
    GST_OBJECT_LOCK(self);
    g_ptr_array_remove(self->streams, s);
    GST_OBJECT_UNLOCK(self);
}

/* Another run begins with nothing heard. */
static GstStateChangeReturn align_state(GstElement *element, GstStateChange change) {
    Align *self = (Align *)element;
    const GstStateChangeReturn done = GST_ELEMENT_CLASS(coeval_gst_align_parent_class)->change_state(element, change);
    if (change == GST_STATE_CHANGE_PAUSED_TO_READY) {
        GST_OBJECT_LOCK(self);
        for (guint n = 0; n < self->streams->len; n++) {
            Stream *s = g_ptr_array_index(self->streams, n);
            coeval_track_builder_free(&s->builder);
            coeval_track_free(&s->track);
            s->ended = FALSE;
        }
        GST_OBJECT_UNLOCK(self);
    }
    return done;
}

static void align_set(GObject *object, guint id, const GValue *value, GParamSpec *spec) {
    Align *self = (Align *)object;
    if (id != PROP_LOCATION) {
        G_OBJECT_WARN_INVALID_PROPERTY_ID(object, id, spec);
        return;
    }
    g_free(self->location);
    self->location = g_value_dup_string(value);
}

static void align_get(GObject *object, guint id, GValue *value, GParamSpec *spec) {
    if (id == PROP_LOCATION)
        g_value_set_string(value, ((Align *)object)->location);
    else
        G_OBJECT_WARN_INVALID_PROPERTY_ID(object, id, spec);
}

static void align_finalize(GObject *object) {
    Align *self = (Align *)object;
    g_ptr_array_free(self->streams, TRUE);
    g_free(self->location);
    G_OBJECT_CLASS(coeval_gst_align_parent_class)->finalize(object);
}

static void coeval_gst_align_class_init(AlignClass *class) {
    GObjectClass *object = G_OBJECT_CLASS(class);
    GstElementClass *element = GST_ELEMENT_CLASS(class);
    object->set_property = align_set;
    object->get_property = align_get;
    object->finalize = align_finalize;
    g_object_class_install_property(
        object, PROP_LOCATION,
        g_param_spec_string("location", "Location", "Folder for the maps, one file sink_N.json for each stream", NULL,
                            G_PARAM_READWRITE | G_PARAM_STATIC_STRINGS));
    element->request_new_pad = align_request;
    element->release_pad = align_release;
    element->change_state = align_state;
    gst_element_class_add_static_pad_template(element, &sinks);
    gst_element_class_add_static_pad_template(element, &sources);
    gst_element_class_set_static_metadata(element, "Coeval align", "Analyzer/Audio",
                                          "Finds how recordings of one event lie on each other",
                                          "The Coeval developers");
}

static void coeval_gst_align_init(Align *self) { self->streams = g_ptr_array_new_with_free_func(stream_free); }
