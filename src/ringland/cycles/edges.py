from ringland.model import Channel, EdgeTrain
__all__=["edges_of_channel"]
def edges_of_channel(channel: Channel) -> EdgeTrain:
    raise NotImplementedError
